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

// migrated runs fill on a database of each engine whose schema is as it was before a migration, and then look on it with today's.
func migrated(t *testing.T, number string, fill, look func(t *testing.T, db *storage.DB)) {
	t.Helper()
	lite := storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "old.db")}
	for _, cfg := range []storage.Config{lite, {Engine: storage.Postgres, DSN: storagetest.FreshDSN(t)}} {
		t.Run(string(cfg.Engine), func(t *testing.T) {
			old, err := storage.Open(t.Context(), cfg, before(t, number))
			if err != nil {
				t.Fatal(err)
			}
			fill(t, old)
			if err := old.Close(); err != nil {
				t.Fatal(err)
			}
			db, err := storage.Open(t.Context(), cfg, store.Migrations())
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = db.Close() })
			look(t, db)
		})
	}
}

// What was posted before postings lay by lot is there after, and a movement's lines go on being its own.
func TestPostingsOutliveTheirNewOrder(t *testing.T) {
	migrated(t, "0016", func(t *testing.T, old *storage.DB) {
		addLots(t, old, 3)
		for i, id := range []string{"z", "a", "m"} {
			lot := []string{"lots/l2", "lots/l0", "lots/l1"}[i]
			if err := post(t.Context(), old, id, move(lot, store.Supplier, "locations/a", 1000)...); err != nil {
				t.Fatal(err)
			}
		}
	}, func(t *testing.T, db *storage.DB) {
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

// The orders of before are known by their demands: what work they are, without an engine, and over where all that they wanted is. An order that
// wanted nothing stays unknown until it is scheduled again, which gives each its engine; and nothing of a demand of before is given up.
func TestOrdersOfBeforeAreKnownByTheirDemands(t *testing.T) {
	migrated(t, "0019", func(t *testing.T, old *storage.DB) {
		for _, row := range []struct{ order, item, state, kind, model, card string }{
			{"open", "cleaner", "OPEN", "RECOVERY_WASH", "engineModels/m1", "taskCards/c1"}, {"open", "water", "CLOSED", "RECOVERY_WASH", "engineModels/m1", "taskCards/c1"},
			{"ended", "cleaner", "CLOSED", "DESALINATION", "", ""}, {"ended", "water", "CLOSED", "DESALINATION", "", ""},
			{"issued", "cleaner", "ISSUED", "", "", ""}, {"claimed", "water", "RESERVED", "", "", ""}, {"claimed", "cleaner", "OPEN", "RECOVERY_WASH", "", "taskCards/c2"},
		} {
			if err := old.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, `INSERT INTO demands (name, work_order, item, unit_code, needed, reserved, issued, need_time, state, work_kind, engine_model, task_card)
					VALUES ($1, $2, $3, 'L', 3000000, 1000000, 500000, 7, $4, $5, $6, $7)`, "workOrders/"+row.order+" items/"+row.item, "workOrders/"+row.order, "items/"+row.item,
					row.state, row.kind, row.model, row.card)
				return err
			}); err != nil {
				t.Fatal(err)
			}
		}
	}, func(t *testing.T, db *storage.DB) {
		wash := store.Work{Kind: "RECOVERY_WASH", EngineModel: "engineModels/m1", TaskCard: "taskCards/c1"}
		want := map[string]store.Job{
			"open": {Work: wash}, "ended": {Work: store.Work{Kind: "DESALINATION"}, Ended: true}, "issued": {},
			"claimed": {Work: store.Work{Kind: "RECOVERY_WASH", TaskCard: "taskCards/c2"}},
		}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for id, want := range want {
				want.WorkOrder = "workOrders/" + id
				if got, known, err := store.JobOf(ctx, tx, want.WorkOrder); err != nil || !known || got != want {
					t.Errorf("%s is %+v (known %t, %v), want %+v", id, got, known, err, want)
				}
			}
			if got, known, err := store.JobOf(ctx, tx, "workOrders/other"); err != nil || known {
				t.Errorf("an order of nobody is %+v (%v)", got, err)
			}
			demands, err := store.DemandsOf(ctx, tx, "workOrders/claimed")
			if len(demands) != 2 || demands[0].GivenUp != 0 || demands[0].Wanting() != demands[0].Missing() || demands[0].Missing() != 1_500_000 {
				t.Errorf("demands %+v", demands)
			}
			if err != nil {
				return err
			}
			again := store.Job{WorkOrder: "workOrders/ended", Engine: "engines/e7", Work: wash}
			if err := store.SaveJob(ctx, tx, again); err != nil {
				return err
			}
			if got, known, err := store.JobOf(ctx, tx, again.WorkOrder); err != nil || !known || got != again {
				t.Errorf("scheduled again it is %+v (%v), want %+v", got, err, again)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
}
