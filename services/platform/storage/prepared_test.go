package storage_test

import (
	"context"
	"fmt"
	"testing"

	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// A caller who goes away while the writer is in a long statement of theirs would, if SQLite were told, roll back everybody in
// the group; the writer finishes what it took.
func TestACallerWhoGoesAwayInTheMiddleSinksNobody(t *testing.T) {
	db := storagetest.SQLite(t, things)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	err := db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		go cancel()
		_, err := tx.Exec(ctx, "INSERT INTO things (id, amount) WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 50000) SELECT i, i FROM n")
		return err
	})
	if n := count(t, db); err != nil || n != 50_000 {
		t.Errorf("%v and %d rows", err, n)
	}
}

// Statements are parsed once and kept: one that was refused must work the next time, one that can't be parsed must say so every
// time, a changed schema must be noticed, and more texts than are kept must do no harm.
func TestStatementsThatAreKeptStayRight(t *testing.T) {
	storagetest.Engines(t, things, func(t *testing.T, db *storage.DB) {
		update := func(fn storage.Func) error { return db.Update(t.Context(), fn) }
		for i, want := range []bool{true, false, true} {
			if err := update(insert("row", int64(2-3*(i%2)))); (err == nil) != want {
				t.Errorf("insert %d: %v", i, err)
			}
			if err := update(func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, "DELETE FROM things")
				return err
			}); err != nil {
				t.Error(err)
			}
			if err := update(func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, "DELETE FROM nothing")
				return err
			}); err == nil {
				t.Error("a table that is not there was emptied")
			}
		}
		grow := func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "ALTER TABLE things ADD COLUMN more BIGINT NOT NULL DEFAULT 7")
			return err
		}
		if err := update(grow); err != nil {
			t.Fatal(err)
		}
		err := update(func(ctx context.Context, tx *storage.Tx) error {
			if err := insert("row", 1)(ctx, tx); err != nil {
				return err
			}
			for i := range 1200 {
				var n int
				if err := tx.QueryRow(ctx, fmt.Sprintf("SELECT more + %d FROM things WHERE id = $1", i), "row").Scan(&n); err != nil || n != 7+i {
					return fmt.Errorf("text %d: %d, %w", i, n, err)
				}
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	})
}
