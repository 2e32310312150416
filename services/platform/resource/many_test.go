package resource_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Many added at once are what they are added one by one; a name that is taken, before or in the same call, is left alone.
func TestManyAreAddedAtOnce(t *testing.T) {
	at := time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)
	storagetest.Engines(t, manySchema(), func(t *testing.T, db *storage.DB) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if err := manyLots.Insert(ctx, tx, &consumablesv1.Lot{Name: "lots/l7", Item: "items/first"}, at); err != nil {
				return err
			}
			var many []*consumablesv1.Lot
			for i := range 123 {
				many = append(many, &consumablesv1.Lot{Name: fmt.Sprintf("lots/l%d", i%120), Item: fmt.Sprintf("items/i%d", i)})
			}
			rows, err := manyLots.Rows(many, at)
			if err != nil {
				return err
			}
			added, err := manyLots.InsertAll(ctx, tx, rows)
			if err != nil {
				return err
			}
			for i, fresh := range added {
				if want := i != 7 && i < 120; fresh != want {
					t.Errorf("%d of name %s: added %v, want %v", i, many[i].GetName(), fresh, want)
				}
			}
			for i, want := range map[int]string{0: "items/i0", 7: "items/first", 119: "items/i119"} {
				got, err := manyLots.Get(ctx, tx, fmt.Sprintf("lots/l%d", i))
				if err != nil || got.GetItem() != want || got.GetEtag() != "v1" || !got.GetCreateTime().AsTime().Equal(at) {
					t.Errorf("%d: %v, %v", i, got, err)
				}
			}
			none, err := manyLots.InsertAll(ctx, tx, resource.Rows{})
			if err != nil || len(none) != 0 {
				t.Errorf("nothing: %v, %v", none, err)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

var manyLots = resource.NewTable[*consumablesv1.Lot]("lots", "", "item").Shared()

func manySchema() storage.Migrations {
	return storage.Portable(fstest.MapFS{"0001_lots.sql": {Data: []byte("-- +goose Up\n" +
		"CREATE TABLE lots (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, item TEXT NOT NULL);\n")}})
}

// Many saved at once are what they are saved one by one; one that changed meanwhile is refused.
func TestManyAreSavedAtOnce(t *testing.T) {
	at := time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)
	storagetest.Engines(t, manySchema(), func(t *testing.T, db *storage.DB) {
		var many []*consumablesv1.Lot
		for i := range 600 {
			many = append(many, &consumablesv1.Lot{Name: fmt.Sprintf("lots/l%d", i), Item: "items/old"})
		}
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			rows, err := manyLots.Rows(many, at)
			if err != nil {
				return err
			}
			if _, err := manyLots.InsertAll(ctx, tx, rows); err != nil {
				return err
			}
			for i, lot := range many {
				lot.Item = fmt.Sprintf("items/i%d", i)
			}
			if err := manyLots.SaveAll(ctx, tx, many[:599], at.Add(time.Hour)); err != nil {
				return err
			}
			for i, want := range map[int]string{0: "items/i0 v2", 598: "items/i598 v2", 599: "items/old v1"} {
				found, err := manyLots.Where(ctx, tx, "name = $1 AND item = $2", many[i].GetName(), strings.Fields(want)[0])
				if err != nil || len(found) != 1 || found[0].GetItem()+" "+found[0].GetEtag() != want || !found[0].GetCreateTime().AsTime().Equal(at) {
					t.Errorf("%d: %v, %v, want %s", i, found, err, want)
				}
			}
			return manyLots.SaveAll(ctx, tx, nil, at)
		})
		if err != nil {
			t.Fatal(err)
		}
		err = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			many[3].Etag = "v1"
			return manyLots.SaveAll(ctx, tx, many[:5], at)
		})
		if !fault.HasReason(err, "ETAG_MISMATCH") {
			t.Errorf("one that changed meanwhile: %v", err)
		}
		if got, err := manyLots.Read(t.Context(), db, "lots/l0"); err != nil || got.GetEtag() != "v2" {
			t.Errorf("a refused call changed %v, %v", got, err)
		}
	})
}

// A column that is made of a resource follows it, however it is written, also where no other column changes.
func TestAColumnOfBytesFollowsItsResource(t *testing.T) {
	schema := storage.Portable(fstest.MapFS{"0001_lots.sql": {Data: []byte("-- +goose Up\n" +
		"CREATE TABLE lots (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, item TEXT NOT NULL, supplier BLOB NOT NULL);\n")}})
	lots := resource.NewTable[*consumablesv1.Lot]("lots", "", "item").Shared().Keeping("supplier", func(l *consumablesv1.Lot) []byte { return []byte(l.GetSupplier()) })
	at := time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)
	writes := map[string]func(ctx context.Context, tx *storage.Tx, lot *consumablesv1.Lot) error{
		"saved": func(ctx context.Context, tx *storage.Tx, lot *consumablesv1.Lot) error {
			return lots.Save(ctx, tx, lot, at)
		},
		"saved with many": func(ctx context.Context, tx *storage.Tx, lot *consumablesv1.Lot) error {
			return lots.SaveAll(ctx, tx, []*consumablesv1.Lot{lot}, at)
		},
		"saved later": func(ctx context.Context, tx *storage.Tx, lot *consumablesv1.Lot) error {
			return lots.SaveLater(ctx, tx, lot, at)
		},
	}
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		do := func(fn storage.Func) {
			t.Helper()
			if err := db.Update(t.Context(), fn); err != nil {
				t.Fatal(err)
			}
		}
		supplier := func(name string) (got string) {
			do(func(ctx context.Context, tx *storage.Tx) error {
				var b []byte
				err := tx.QueryRow(ctx, "SELECT supplier FROM lots WHERE name = $1", name).Scan(&b)
				got = string(b)
				return err
			})
			return got
		}
		do(func(ctx context.Context, tx *storage.Tx) error {
			rows, err := lots.Rows([]*consumablesv1.Lot{{Name: "lots/a", Supplier: "first"}, {Name: "lots/b", Supplier: "second"}}, at)
			if err != nil {
				return err
			}
			_, err = lots.InsertAll(ctx, tx, rows)
			return err
		})
		if a, b := supplier("lots/a"), supplier("lots/b"); a != "first" || b != "second" {
			t.Errorf("added: %q and %q", a, b)
		}
		for name, write := range writes {
			do(func(ctx context.Context, tx *storage.Tx) error {
				lot, err := lots.Lock(ctx, tx, "lots/a")
				if err != nil {
					return err
				}
				lots.Held(tx, lot)
				lot.Supplier = name
				return write(ctx, tx, lot)
			})
			if got := supplier("lots/a"); got != name {
				t.Errorf("%s: %q", name, got)
			}
		}
	})
}
