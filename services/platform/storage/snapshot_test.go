package storage_test

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"coldsection.example/services/platform/storage"
)

// held is how many things a file has.
func held(t *testing.T, path string) (n int) {
	t.Helper()
	if err := storage.Inspect(t.Context(), path, func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT COUNT(*) FROM things").Scan(&n)
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

// Copies of several databases are of one moment, although they are written without a pause by several callers: what is always in the first
// before it is in the second and in the third is never missing there, and no copy is behind what was acknowledged before.
func TestSnapshotsAreOfOneMoment(t *testing.T) {
	dir := t.TempDir()
	var open []*storage.DB
	var copies []storage.Copy
	for _, name := range []string{"a", "b", "c"} {
		path := filepath.Join(dir, name+".db")
		db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, things)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = db.Close() })
		open, copies = append(open, db), append(copies, storage.Copy{From: path})
	}
	ctx, end := context.WithCancel(t.Context())
	var writing sync.WaitGroup
	const callers = 4
	for caller := range callers {
		writing.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				for _, db := range open { // always in the same order
					if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
						_, err := tx.Exec(ctx, addThing, fmt.Sprintf("%d-%d", caller, i), 1)
						return err
					}); err != nil {
						t.Errorf("a writer is refused: %v", err)
						return
					}
				}
			}
		})
	}
	for round := range 8 {
		least := count(t, open[2])
		for i, name := range []string{"a", "b", "c"} {
			copies[i].Into = filepath.Join(dir, fmt.Sprintf("copy-%d-%s.db", round, name))
		}
		if err := storage.Snapshots(t.Context(), copies); err != nil {
			t.Fatal(err)
		}
		a, b, c := held(t, copies[0].Into), held(t, copies[1].Into), held(t, copies[2].Into)
		if a < b || b < c || a-c > callers || c < least {
			t.Errorf("the copies hold %d, %d and %d, of at least %d: they are not of one moment", a, b, c, least)
		}
	}
	end()
	writing.Wait()
	if storage.Snapshots(t.Context(), copies) == nil {
		t.Error("a file that is there was written over")
	}
}
