package storage_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/fstest"

	"coldsection.example/services/platform/storage"
)

// The log of a database begins anew after as many pages as its settings say, so that it grows no further, and nothing of what was written is lost by it.
func TestTheLogBeginsAnewAfterItsPages(t *testing.T) {
	const rows, page = 400, 4096 + 24 // a page of the log has a head of its own
	grown := func(pages int) int64 {
		path := filepath.Join(t.TempDir(), "some.db")
		schema := storage.Migrations{SQLite: fstest.MapFS{"0001_one.sql": {Data: []byte("-- +goose Up\nCREATE TABLE one (n INTEGER PRIMARY KEY, text TEXT NOT NULL);")}}}
		db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path, LogPages: pages}, schema)
		if err != nil {
			t.Fatal(err)
		}
		for i := range rows {
			if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, "INSERT INTO one (n, text) VALUES ($1, 'some text')", int64(i))
				return err
			}); err != nil {
				t.Fatal(err)
			}
		}
		log, err := os.Stat(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		if db, err = storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, schema); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = db.Close() }()
		var n int
		if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT count(*) FROM one").Scan(&n)
		}); err != nil || n != rows {
			t.Errorf("%d rows are there, want %d: %v", n, rows, err)
		}
		return log.Size()
	}
	if size := grown(50); size > 100*page {
		t.Errorf("the log of 50 pages has %d", size/page)
	}
	if size := grown(0); size < rows*page {
		t.Errorf("the log of %d rows has %d pages; it begins anew after 8,000", rows, size/page)
	}
}
