package store

import (
	"context"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/storage"
)

// KeepTrace keeps the trace of an exceedance, once.
func KeepTrace(ctx context.Context, tx *storage.Tx, exceedance string, t *performancev1.ExceedanceTrace) error {
	body, err := proto.Marshal(t)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO exceedance_traces (exceedance, body) VALUES ($1, $2)", exceedance, body)
	return err
}

// TraceOf is the trace that was kept with an exceedance; storage.ErrNoRows when none was.
func TraceOf(ctx context.Context, tx *storage.Tx, exceedance string) (*performancev1.ExceedanceTrace, error) {
	var body []byte
	err := tx.QueryRow(ctx, "SELECT body FROM exceedance_traces WHERE exceedance = $1", exceedance).Scan(&body)
	if err != nil {
		return nil, err
	}
	t := &performancev1.ExceedanceTrace{}
	return t, proto.Unmarshal(body, t)
}
