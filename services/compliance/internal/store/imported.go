package store

import (
	"context"
	"time"

	"coldsection.example/services/platform/storage"
)

// Imported is a row of a table that was taken in before.
type Imported struct{ Name, Hash string }

// ImportedRow is what was made of the row of a kind with an id in the table's source; the zero value when it was not taken yet.
func ImportedRow(ctx context.Context, tx *storage.Tx, kind, source string) (Imported, error) {
	found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (one Imported, err error) {
		err = row.Scan(&one.Name, &one.Hash)
		return one, err
	}, "SELECT name, content_hash FROM imported_rows WHERE kind = $1 AND source_id = $2", kind, source)
	if err != nil || len(found) == 0 {
		return Imported{}, err
	}
	return found[0], nil
}

// AddImportedRow keeps that a row was taken in; false when another call took it meanwhile.
func AddImportedRow(ctx context.Context, tx *storage.Tx, kind, source string, row Imported, now time.Time) (bool, error) {
	n, err := tx.Exec(ctx, `INSERT INTO imported_rows (kind, source_id, name, content_hash, record_time) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT DO NOTHING`, kind, source, row.Name, row.Hash, storage.Micros(now))
	return n == 1, err
}

// SerialTaken reports whether a table has a resource of a kind of thing with this serial number already; kind is the column that tells
// the kind, such as engine_model.
func SerialTaken(ctx context.Context, tx *storage.Tx, table, kind, value, serial string) (bool, error) {
	var n int64
	err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM "+table+" WHERE "+kind+" = $1 AND serial = $2", value, serial).Scan(&n)
	return n > 0, err
}
