package resource_test

import (
	"context"
	"slices"
	"testing"
	"testing/fstest"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var (
	orders     = resource.NewTable[*workordersv1.WorkOrder]("orders", "", "engine", "aircraft").OwnedBy("engine", "aircraft")
	ordersOpen = resource.NewTable[*workordersv1.WorkOrder]("orders", "", "engine", "aircraft")
	ordersAll  = resource.NewTable[*workordersv1.WorkOrder]("orders", "", "engine", "aircraft").OwnedByAll("engine", "aircraft")
	byName     = resource.NewTable[*workordersv1.WorkOrder]("orders", "", "engine", "aircraft").OwnedBy("name")
	orderTable = storage.Portable(fstest.MapFS{"0001_orders.sql": {Data: []byte(`-- +goose Up
CREATE TABLE orders (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, engine TEXT NOT NULL, aircraft TEXT NOT NULL);
`)}})
)

func TestALimitedCallerIsShownItsOwnOnly(t *testing.T) {
	storagetest.Engines(t, orderTable, func(t *testing.T, db *storage.DB) {
		err := update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for subject, owner := range map[string]string{"engines/a": "north", "engines/b": "south", "aircraft/s": "south", "workOrders/4": "south"} {
				if err := owners.Learn(ctx, tx, subject, owner); err != nil {
					return err
				}
			}
			for id, of := range map[string][2]string{"1": {"engines/a", ""}, "2": {"engines/b", ""}, "3": {"engines/a", "aircraft/s"}, "4": {"engines/z", ""}} {
				o := &workordersv1.WorkOrder{Name: "workOrders/" + id, Engine: of[0], Aircraft: of[1]}
				if err := orders.Insert(ctx, tx, o, now); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		south := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/guest", Owners: []string{"south"}})
		for _, c := range []struct {
			name  string
			ctx   context.Context
			table *resource.Table[*workordersv1.WorkOrder]
			want  []string
		}{
			{"no limit", t.Context(), orders, []string{"1", "2", "3", "4"}},
			{"by its columns", south, orders, []string{"2", "3"}},
			{"by all of its columns", south, ordersAll, []string{"2"}},
			{"by its name", south, byName, []string{"4"}},
			{"a table that names no owner", south, ordersOpen, nil},
		} {
			items, _, err := c.table.List(c.ctx, db, listing.New([]byte("s")), &workordersv1.ListWorkOrdersRequest{OrderBy: "engine desc"}, "")
			var ids []string
			for _, o := range items {
				ids = append(ids, o.GetName()[len("workOrders/"):])
			}
			slices.Sort(ids)
			if err != nil || !slices.Equal(ids, c.want) {
				t.Errorf("%s: a list has %v, %v; want %v", c.name, ids, err, c.want)
			}
			for _, id := range []string{"1", "2", "3", "4"} {
				_, err := c.table.Read(c.ctx, db, "workOrders/"+id)
				if got := err == nil; got != slices.Contains(c.want, id) {
					t.Errorf("%s: reading %s: %v", c.name, id, err)
				}
			}
		}
		_, foreign := orders.Read(south, db, "workOrders/1")
		_, random := orders.Read(south, db, "workOrders/9")
		f, _ := fault.As(foreign)
		r, _ := fault.As(random)
		if f == nil || r == nil || f.Reason != r.Reason || f.Category != r.Category || len(f.Message) != len(r.Message) {
			t.Errorf("another's order answers %v, one that is not there %v", foreign, random)
		}
	})
}

// A column may be called as one of the table of owners is; it is still the row's.
func TestAColumnCalledSubjectIsTheRows(t *testing.T) {
	items := resource.NewTable[*compliancev1.DueItem]("items", "", "subject").OwnedBy("subject")
	schema := storage.Portable(fstest.MapFS{"0001_items.sql": {Data: []byte(`-- +goose Up
CREATE TABLE items (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, subject TEXT NOT NULL);
`)}})
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		if err := update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for _, id := range []string{"a", "b"} {
				if err := items.Insert(ctx, tx, &compliancev1.DueItem{Name: "dueItems/" + id, Subject: "engines/" + id}, now); err != nil {
					return err
				}
			}
			return owners.Learn(ctx, tx, "engines/a", "north")
		}); err != nil {
			t.Fatal(err)
		}
		north := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/guest", Owners: []string{"north"}})
		list, _, err := items.List(north, db, listing.New([]byte("s")), &compliancev1.ListDueItemsRequest{}, "")
		if err != nil || len(list) != 1 || list[0].GetSubject() != "engines/a" {
			t.Errorf("%v, %v", list, err)
		}
	})
}
