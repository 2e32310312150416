package resource_test

import (
	"context"
	"fmt"
	"testing"
	"testing/fstest"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
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
			added, err := manyLots.InsertAll(ctx, tx, many, at)
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
			none, err := manyLots.InsertAll(ctx, tx, nil, at)
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
