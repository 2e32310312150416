package server_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// trade is the trade item number of an example of the handbook's label section, B12, and oneShort the same with 13 digits.
const trade, oneShort = "09521234543213", "9521234543213"

func (d desk) lookUp(id string) (*consumablesv1.Item, error) {
	return d.LookUpItem(d.clerk(), &consumablesv1.LookUpItemRequest{System: "erp", ExternalId: id})
}

// traded is the item that the scanned trade item number means, or the reason why none.
func (d desk) traded() string {
	d.t.Helper()
	got := of(d.ParseScan(d.clerk(), &consumablesv1.ParseScanRequest{Code: "]d201" + trade})).done(d.t)
	if got.GetItem() == "" {
		return got.GetReason()
	}
	return got.GetItem()
}

// saved saves an item as a process of the version before does, which knows of no index.
func (d desk) saved(name string, external map[string]string) {
	d.t.Helper()
	of(0, d.db.Update(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		item, err := store.Items.Lock(ctx, tx, name)
		if err != nil {
			return err
		}
		item.ExternalIds, item.Etag = external, "v99"
		body, err := proto.Marshal(item)
		if err == nil {
			_, err = tx.Exec(ctx, "UPDATE items SET version = 99, body = $1 WHERE name = $2", body, name)
		}
		return err
	})).done(d.t)
}

func TestAnItemIsFoundByItsIdsAsTheyAreNow(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) { i.ExternalIds = map[string]string{"gtin": oneShort, "erp": "4711"} })).done(t)
		if got := d.traded(); got != "items/cleaner" {
			t.Errorf("the number with 14 digits means %s", got)
		}
		of(d.changed(func(i *consumablesv1.Item) { i.ExternalIds = map[string]string{"erp": "4712"} })).done(t)
		if got := d.traded(); got != "ITEM_UNKNOWN" {
			t.Errorf("a number that was taken away means %s", got)
		}
		_, err := d.lookUp("4711")
		refused(t, "an id that was replaced", err, "ITEM_UNKNOWN")
		if got := of(d.lookUp("4712")).done(t); got.GetName() != "items/cleaner" {
			t.Errorf("found %s", got.GetName())
		}
	})
}

func TestAnItemThatIsInNoIndexYetIsFound(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		a := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}
		of(d.changed(func(i *consumablesv1.Item) { i.ExternalIds = map[string]string{"erp": "1"} })).done(t)
		d.saved("items/cleaner", map[string]string{"erp": "2"})
		d.saved("items/water", map[string]string{"gtin": trade})
		for _, when := range []string{"before", "after"} {
			_, err := d.lookUp("1")
			refused(t, when+" the sweep, the id of before", err, "ITEM_UNKNOWN")
			if got := of(d.lookUp("2")).done(t); got.GetName() != "items/cleaner" || d.traded() != "items/water" {
				t.Errorf("%s the sweep: %s and %s", when, got.GetName(), d.traded())
			}
			of(0, a.Sweep(t.Context())).done(t)
		}
		d.saved("items/ready", map[string]string{"gtin": oneShort})
		of(0, a.Sweep(t.Context())).done(t)
		if got := d.traded(); got != "ITEM_AMBIGUOUS" {
			t.Errorf("a number of two items means %s", got)
		}
	})
}

// BenchmarkLookUp measures how an item is found by its trade item number among 100 items and among 10,000.
func BenchmarkLookUp(b *testing.B) {
	for b.Loop() {
		var median [2]float64
		for i, n := range []int{100, 10_000} {
			d := open(b, storagetest.SQLite(b, store.Migrations()))
			a := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}
			of(0, d.db.Update(b.Context(), func(ctx context.Context, tx *storage.Tx) error {
				for j := range n {
					item := &consumablesv1.Item{Name: fmt.Sprintf("items/i%d", j), DisplayName: "item", BaseUnitCode: "L", ExternalIds: map[string]string{"erp": fmt.Sprint(j)}}
					if err := store.Items.Insert(ctx, tx, item, morning); err != nil {
						return err
					}
				}
				return nil
			})).done(b)
			of(0, a.Sweep(b.Context())).done(b)
			_, times := rate(b, 300, 1, func(_, j int) error {
				_, err := d.lookUp(fmt.Sprint(j % n))
				return err
			})
			slices.Sort(times)
			median[i] = times[len(times)/2].Seconds()
		}
		b.ReportMetric(median[1]/median[0], "lookup1e4/1e2")
		b.ReportMetric(1e3*median[1], "lookupms")
	}
}
