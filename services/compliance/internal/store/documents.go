package store

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddDocument keeps a document of a work order; one that is kept already stays as it is.
func AddDocument(ctx context.Context, tx *storage.Tx, order string, d *compliancev1.EvidenceDocument, now time.Time) error {
	body, err := proto.Marshal(d)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO order_documents (name, work_order, record_time, body) VALUES ($1, $2, $3, $4) ON CONFLICT (name) DO NOTHING",
		d.GetAttachment(), order, storage.Micros(now), body)
	return err
}

// DocumentsKnown are the documents of a work order that were known at an instant, in the order in which they became known.
func DocumentsKnown(ctx context.Context, tx *storage.Tx, order string, known time.Time) ([]*compliancev1.EvidenceDocument, error) {
	return storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.EvidenceDocument, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		d := &compliancev1.EvidenceDocument{}
		return d, proto.Unmarshal(body, d)
	}, "SELECT body FROM order_documents WHERE work_order = $1 AND record_time <= $2 ORDER BY record_time, name", order, storage.Micros(known))
}
