package store_test

import (
	"context"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"testing"
	"testing/fstest"

	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// before is the schema as it was before a migration.
func before(t *testing.T, number string) storage.Migrations {
	t.Helper()
	old, all := fstest.MapFS{}, os.DirFS("migrations")
	if err := fs.WalkDir(all, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || path.Base(name) >= number {
			return err
		}
		text, err := fs.ReadFile(all, name)
		old[name] = &fstest.MapFile{Data: text}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return storage.Portable(old)
}

// What was posted before postings lay by lot is there after, and a movement's lines go on being its own.
func TestPostingsOutliveTheirNewOrder(t *testing.T) {
	lite := storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "old.db")}
	for _, cfg := range []storage.Config{lite, {Engine: storage.Postgres, DSN: storagetest.FreshDSN(t)}} {
		t.Run(string(cfg.Engine), func(t *testing.T) {
			old, err := storage.Open(t.Context(), cfg, before(t, "0016"))
			if err != nil {
				t.Fatal(err)
			}
			addLots(t, old, 3)
			for i, id := range []string{"z", "a", "m"} {
				lot := []string{"lots/l2", "lots/l0", "lots/l1"}[i]
				if err := post(t.Context(), old, id, move(lot, store.Supplier, "locations/a", 1000)...); err != nil {
					t.Fatal(err)
				}
			}
			if err := old.Close(); err != nil {
				t.Fatal(err)
			}
			db, err := storage.Open(t.Context(), cfg, store.Migrations())
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = db.Close() })
			check(t, db)
			if err := post(t.Context(), db, "later", move("lots/l0", "locations/a", store.Waste, 400)...); err != nil {
				t.Fatal(err)
			}
			check(t, db)
			if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				var n int64
				if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM postings").Scan(&n); err != nil || n != 8 {
					t.Errorf("%d postings, want 8: %v", n, err)
				}
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		})
	}
}
