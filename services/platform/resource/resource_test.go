package resource_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var lots = resource.NewTable[*consumablesv1.Lot]("lots", "create_time desc", "item", "state", "use_by_date", "expire_time", "create_time")

var schema = storage.Portable(fstest.MapFS{"0001_lots.sql": {Data: []byte(`-- +goose Up
CREATE TABLE lots (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, item TEXT NOT NULL, state TEXT NOT NULL,
  use_by_date TEXT NOT NULL, expire_time BIGINT NOT NULL, create_time BIGINT NOT NULL);
`)}})

var now = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func lot(id string) *consumablesv1.Lot {
	return &consumablesv1.Lot{Name: "lots/" + id, Item: "items/cleaner", State: consumablesv1.Lot_HELD, UseByDate: &date.Date{Year: 2027, Month: 3, Day: 5}}
}

func update(t *testing.T, db *storage.DB, fn storage.Func) error {
	t.Helper()
	return db.Update(t.Context(), fn)
}

func TestResourcesKeepWhatTheyAre(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		l := lot("a")
		if err := update(t, db, func(ctx context.Context, tx *storage.Tx) error { return lots.Insert(ctx, tx, l, now) }); err != nil {
			t.Fatal(err)
		}
		got, err := lots.Read(t.Context(), db, "lots/a")
		if err != nil || !proto.Equal(got, l) || got.GetEtag() != "v1" || !got.GetCreateTime().AsTime().Equal(now) {
			t.Errorf("got %v, %v; want %v", got, err, l)
		}
		err = update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			changed, err := lots.Lock(ctx, tx, "lots/a")
			if err != nil {
				return err
			}
			changed.State = consumablesv1.Lot_USABLE
			return lots.Save(ctx, tx, changed, now.Add(time.Hour))
		})
		got, readErr := lots.Read(t.Context(), db, "lots/a")
		if err != nil || readErr != nil || got.GetEtag() != "v2" || got.GetState() != consumablesv1.Lot_USABLE || !got.GetCreateTime().AsTime().Equal(now) {
			t.Errorf("after a change: %v, %v, %v", got, err, readErr)
		}
	})
}

// A row is found by its columns as they were saved last, whether the change before touched them or not.
func TestColumnsFollowEveryChange(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		if err := update(t, db, func(ctx context.Context, tx *storage.Tx) error { return lots.Insert(ctx, tx, lot("a"), now) }); err != nil {
			t.Fatal(err)
		}
		for i, change := range []func(l *consumablesv1.Lot){
			func(l *consumablesv1.Lot) { l.LifeRule = "no column" },
			func(l *consumablesv1.Lot) { l.State = consumablesv1.Lot_USABLE },
			func(l *consumablesv1.Lot) { l.LifeRule = "" },
			func(l *consumablesv1.Lot) { l.UseByDate = nil },
		} {
			var want *consumablesv1.Lot
			err := update(t, db, func(ctx context.Context, tx *storage.Tx) (err error) {
				if want, err = lots.Lock(ctx, tx, "lots/a"); err != nil {
					return err
				}
				change(want)
				return lots.Save(ctx, tx, want, now)
			})
			if err != nil {
				t.Fatal(err)
			}
			var found []*consumablesv1.Lot
			err = db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
				found, err = lots.Where(ctx, tx, "version = $1 AND state = $2 AND use_by_date = $3", i+2, want.GetState().String(), resource.DateText(want.GetUseByDate()))
				return err
			})
			if err != nil || len(found) != 1 || !proto.Equal(found[0], want) {
				t.Errorf("after change %d: %v, %v; want %v", i, found, err, want)
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		insert := func(ctx context.Context, tx *storage.Tx) error { return lots.Insert(ctx, tx, lot("a"), now) }
		if err := update(t, db, insert); err != nil {
			t.Fatal(err)
		}
		if err := update(t, db, insert); !fault.HasReason(err, "ALREADY_EXISTS") {
			t.Errorf("the same name again: %v", err)
		}
		if _, err := lots.Read(t.Context(), db, "lots/none"); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("a name that is not there: %v", err)
		}
		stale, err := lots.Read(t.Context(), db, "lots/a")
		if err != nil {
			t.Fatal(err)
		}
		save := func(ctx context.Context, tx *storage.Tx) error { return lots.Save(ctx, tx, proto.CloneOf(stale), now) }
		if err := update(t, db, save); err != nil {
			t.Fatal(err)
		}
		if err := update(t, db, save); !fault.HasReason(err, "ETAG_MISMATCH") {
			t.Errorf("saving an old version: %v", err)
		}
		for etag, reason := range map[string]string{"": "", "v1": "", "v2": "ETAG_MISMATCH", "x": "ETAG_MISMATCH"} {
			if err := resource.CheckEtag(stale, etag); reason == "" && err != nil || reason != "" && !fault.HasReason(err, reason) {
				t.Errorf("etag %q against v1: %v", etag, err)
			}
		}
	})
}

func TestListsFilterByTheColumns(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		err := update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for i := range 6 {
				l := lot(fmt.Sprint(i))
				l.State = []consumablesv1.Lot_State{consumablesv1.Lot_HELD, consumablesv1.Lot_USABLE}[i%2]
				l.UseByDate.Day = int32(i + 1)
				if i > 3 {
					l.ExpireTime = timestamppb.New(now)
				}
				if err := lots.Insert(ctx, tx, l, now.Add(time.Duration(i)*time.Minute)); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for filter, want := range map[string][]string{
			"": {"5", "4", "3", "2", "1", "0"}, "state = USABLE": {"5", "3", "1"}, "use_by_date < 2027-03-03": {"1", "0"},
			"expire_time:*": {"5", "4"}, `create_time >= "2026-03-01T08:04:00Z"`: {"5", "4"}, "item = items/other": nil,
		} {
			items, _, err := lots.List(t.Context(), db, listing.New([]byte("s")), &consumablesv1.ListLotsRequest{Filter: filter}, "")
			var ids []string
			for _, l := range items {
				ids = append(ids, l.GetName()[len("lots/"):])
			}
			if err != nil || !slices.Equal(ids, want) {
				t.Errorf("%q: %v, %v; want %v", filter, ids, err, want)
			}
		}
	})
}

func TestApplyChangesWhatTheMaskNames(t *testing.T) {
	current := func() *consumablesv1.Item {
		return &consumablesv1.Item{Name: "items/a", DisplayName: "old", PartNumber: "P1", ShelfLifeDays: 30, Etag: "v1", CreateTime: timestamppb.New(now)}
	}
	change := &consumablesv1.Item{Name: "items/b", DisplayName: "new", Etag: "v9", CreateTime: timestamppb.New(now.Add(time.Hour))}
	for name, c := range map[string]struct {
		mask []string
		want func(*consumablesv1.Item)
	}{
		"no mask: what is set": {nil, func(i *consumablesv1.Item) { i.DisplayName = "new" }},
		"one field":            {[]string{"display_name"}, func(i *consumablesv1.Item) { i.DisplayName = "new" }},
		"a field to clear":     {[]string{"part_number"}, func(i *consumablesv1.Item) { i.PartNumber = "" }},
		"everything":           {[]string{"*"}, func(i *consumablesv1.Item) { i.DisplayName, i.PartNumber, i.ShelfLifeDays = "new", "", 0 }},
	} {
		got, want := current(), current()
		c.want(want)
		if err := resource.Apply(got, change, &fieldmaskpb.FieldMask{Paths: c.mask}); err != nil || !proto.Equal(got, want) {
			t.Errorf("%s: got %v, %v; want %v", name, got, err, want)
		}
	}
}

// What callers may not change may come along as it was read, so that whoever reads a resource, changes a field and sends it back with a mask of
// everything has to take nothing out. Who asks for another value is told, rather than believing that it was done.
func TestWhatStaysAsItIsMayBeSentButNotChanged(t *testing.T) {
	current := &consumablesv1.Item{
		Name: "items/a", DisplayName: "old", PartNumber: "P1", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", Etag: "v1", CreateTime: timestamppb.New(now),
	}
	for name, c := range map[string]struct {
		change func(*consumablesv1.Item)
		mask   []string
		reason string
	}{
		"as it was read, all of it named": {func(*consumablesv1.Item) {}, []string{"display_name", "name", "create_time", "etag", "kind", "base_unit_code"}, ""},
		"named, and left out": {
			func(i *consumablesv1.Item) { i.CreateTime, i.Kind, i.BaseUnitCode = nil, 0, "" }, []string{"display_name", "create_time", "kind"}, "",
		},
		"another name, which the path says": {func(i *consumablesv1.Item) { i.Name = "items/b" }, []string{"display_name", "name"}, ""},
		"another time, without a mask":      {func(i *consumablesv1.Item) { i.CreateTime = timestamppb.New(now.Add(1)) }, nil, ""},
		"another time, under everything":    {func(i *consumablesv1.Item) { i.CreateTime = nil }, []string{"*"}, ""},
		"another time, which is named":      {func(i *consumablesv1.Item) { i.CreateTime = timestamppb.New(now.Add(1)) }, []string{"display_name", "create_time"}, "FIELD_READ_ONLY"},
		"another unit, without a mask":      {func(i *consumablesv1.Item) { i.BaseUnitCode = "kg" }, nil, "FIELD_FIXED"},
		"another unit, under everything":    {func(i *consumablesv1.Item) { i.BaseUnitCode = "kg" }, []string{"*"}, "FIELD_FIXED"},
		"another unit, which is named":      {func(i *consumablesv1.Item) { i.BaseUnitCode = "kg" }, []string{"base_unit_code"}, "FIELD_FIXED"},
		"another unit, which is not named":  {func(i *consumablesv1.Item) { i.BaseUnitCode = "kg" }, []string{"display_name"}, ""},
		"no field of it":                    {func(*consumablesv1.Item) {}, []string{"display_name", "colour"}, "FIELD_UNKNOWN"},
	} {
		got, change, want := proto.CloneOf(current), proto.CloneOf(current), proto.CloneOf(current)
		change.DisplayName = "new"
		c.change(change)
		if c.reason == "" {
			want.DisplayName = "new"
		}
		err := resource.Apply(got, change, &fieldmaskpb.FieldMask{Paths: c.mask})
		if c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) || !proto.Equal(got, want) {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

func TestClearOutputOnly(t *testing.T) {
	l := lot("a")
	l.ExpireTime, l.CreateTime, l.ManufacturerLot = timestamppb.New(now), timestamppb.New(now), "M1"
	resource.ClearOutputOnly(l)
	if l.GetState() != 0 || l.GetExpireTime() != nil || l.GetCreateTime() != nil || l.GetManufacturerLot() != "M1" || l.GetItem() == "" {
		t.Errorf("got %v", l)
	}
}

func TestATableOfAFieldThatIsNotThereIsRefused(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a table with an unknown field passes")
		}
	}()
	resource.NewTable[*consumablesv1.Lot]("lots", "", "colour")
}
