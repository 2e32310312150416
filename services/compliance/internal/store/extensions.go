package store

import (
	"context"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/storage"
)

// AddExtension keeps the extension of a subject's due item for the interval that counts from a record; false when that interval has one
// already, which stays.
func AddExtension(ctx context.Context, tx *storage.Tx, subject, item, record string, e *compliancev1.Extension) (bool, error) {
	body, err := proto.Marshal(e)
	if err != nil {
		return false, err
	}
	n, err := tx.Exec(ctx, "INSERT INTO extensions (due_item, after_record, subject, body) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING", item, record, subject, body)
	return n == 1, err
}

// Extended is a due item in the interval that counts from a record.
type Extended struct{ Item, After string }

// ExtensionsOn are the extensions of a subject's due items.
func ExtensionsOn(ctx context.Context, tx *storage.Tx, subject string) (map[Extended]*compliancev1.Extension, error) {
	out := map[Extended]*compliancev1.Extension{}
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (of Extended, err error) {
		var body []byte
		if err := row.Scan(&of.Item, &of.After, &body); err != nil {
			return of, err
		}
		out[of] = &compliancev1.Extension{}
		return of, proto.Unmarshal(body, out[of])
	}, "SELECT due_item, after_record, body FROM extensions WHERE subject = $1", subject)
	return out, err
}
