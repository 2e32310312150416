package store

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddExtension keeps the one extension of a due item since an accomplishment.
func AddExtension(ctx context.Context, tx *storage.Tx, item, accomplishment string, e *compliancev1.Extension, now time.Time) error {
	body, err := proto.Marshal(e)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "INSERT INTO extensions (due_item, accomplishment, record_time, body) VALUES ($1, $2, $3, $4)",
		item, accomplishment, storage.Micros(now), body)
	return err
}

// ExtensionKnown is the extension granted since an accomplishment, as far as it was known at an instant; nil when none was.
func ExtensionKnown(ctx context.Context, tx *storage.Tx, item, accomplishment string, known time.Time) (*compliancev1.Extension, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.Extension, error) {
		e := &compliancev1.Extension{}
		return e, unmarshal(row, e)
	}, "SELECT body FROM extensions WHERE due_item = $1 AND accomplishment = $2 AND record_time <= $3", item, accomplishment, storage.Micros(known))
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found[0], nil
}

func unmarshal(row storage.Scanner, into proto.Message) error {
	var body []byte
	if err := row.Scan(&body); err != nil {
		return err
	}
	return proto.Unmarshal(body, into)
}
