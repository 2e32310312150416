package store_test

import (
	"context"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Engines a and b share an aircraft until b goes to another one, where c is; d and e join a later.
func TestTheTwinIsTheOneOfThatDay(t *testing.T) {
	fittings := map[string][]store.Fitting{
		"engines/a": {{"aircraft/x", "2026-01-10", ""}},
		"engines/b": {{"aircraft/x", "2026-01-05", "2026-03-01"}, {"aircraft/y", "2026-03-02", ""}},
		"engines/c": {{"aircraft/y", "2025-12-01", "2026-05-01"}},
		"engines/d": {{"aircraft/x", "2026-04-01", ""}},
		"engines/e": {{"aircraft/x", "2026-06-01", ""}},
	}
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if err := store.SaveProfile(ctx, tx, store.Profile{Name: "engines/a", Serial: "A", Model: "engineModels/m"}); err != nil {
				return err
			}
			if asked, err := store.Fitted(ctx, tx, "engines/a"); err != nil || asked {
				t.Errorf("asked before: %v, %v", asked, err)
			}
			for range 2 { // what is known is replaced, not added to
				for engine, list := range fittings {
					if err := store.SaveFittings(ctx, tx, engine, list); err != nil {
						return err
					}
				}
			}
			if asked, err := store.Fitted(ctx, tx, "engines/a"); err != nil || !asked {
				t.Errorf("asked after: %v, %v", asked, err)
			}
			for _, c := range []struct {
				engine string
				month  time.Month
				want   store.Beside
			}{
				{"engines/a", time.February, store.Beside{Engine: "engines/b", FirstDay: "2026-01-10", LastDay: "2026-03-01"}},
				{"engines/b", time.April, store.Beside{Engine: "engines/c", FirstDay: "2026-03-02", LastDay: "2026-05-01"}},
				{"engines/a", time.March, store.Beside{}},
				{"engines/a", time.May, store.Beside{Engine: "engines/d", FirstDay: "2026-04-01"}},
				{"engines/a", time.July, store.Beside{}}, // two others: which is the twin is not known
				{"engines/c", time.February, store.Beside{}},
			} {
				got, ok, err := store.TwinOf(ctx, tx, c.engine, time.Date(2026, c.month, 20, 12, 0, 0, 0, time.UTC))
				if err != nil || got != c.want || ok != (c.want.Engine != "") {
					t.Errorf("%s in %s: %+v, %v, %v", c.engine, c.month, got, ok, err)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}
