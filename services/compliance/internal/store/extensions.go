package store

import (
	"context"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddExtension keeps the extension of a due item for the interval that counts from a record; false when that interval has one
// already, which stays.
func AddExtension(ctx context.Context, tx *storage.Tx, item, record string, e *compliancev1.Extension) (bool, error) {
	body, err := proto.Marshal(e)
	if err != nil {
		return false, err
	}
	n, err := tx.Exec(ctx, "INSERT INTO extensions (due_item, after_record, body) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", item, record, body)
	return n == 1, err
}

// ExtensionOf finds the extension of a due item for the interval that counts from a record, nil when there is none.
func ExtensionOf(ctx context.Context, tx *storage.Tx, item, record string) (*compliancev1.Extension, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (*compliancev1.Extension, error) {
		var body []byte
		if err := row.Scan(&body); err != nil {
			return nil, err
		}
		e := &compliancev1.Extension{}
		return e, proto.Unmarshal(body, e)
	}, "SELECT body FROM extensions WHERE due_item = $1 AND after_record = $2", item, record)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found[0], nil
}
