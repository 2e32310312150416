package store

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// KeepRevision keeps a model as it is now under its revision.
func KeepRevision(ctx context.Context, tx *storage.Tx, m *performancev1.EngineModel) error {
	body, err := proto.Marshal(m)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO engine_model_revisions (name, revision, body) VALUES ($1, $2, $3)", m.GetName(), int64(m.GetRevision()), body)
	return err
}

// ModelAt reads a model as it was at a revision; 0 means the newest. Reason: NOT_FOUND.
func ModelAt(ctx context.Context, tx *storage.Tx, name string, revision int32) (*performancev1.EngineModel, error) {
	if revision == 0 {
		return Models.Get(ctx, tx, name)
	}
	var body []byte
	err := tx.QueryRow(ctx, "SELECT body FROM engine_model_revisions WHERE name = $1 AND revision = $2", name, int64(revision)).Scan(&body)
	if errors.Is(err, storage.ErrNoRows) {
		return nil, fault.Missing(fmt.Sprintf("%s, revision %d", name, revision))
	}
	if err != nil {
		return nil, err
	}
	m := &performancev1.EngineModel{}
	return m, proto.Unmarshal(body, m)
}
