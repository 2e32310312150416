package server_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// sizeFaults are commands that would tell more than one transaction tells.
func sizeFaults() map[string]attempt {
	return map[string]attempt{
		"D12 a table of 5,000 lots in one command": imported("item,quantity,unit,location,manufacturer_lot,use_by_date\n" +
			strings.Repeat("cleaner,5,L,shelf,M-1,2027-06-30\n", 5_000)),
		"D12 a mix of nine lots": func(_ *testing.T, d desk) error {
			d.ingredients()
			req := batch(order)
			for len(req.GetParts()) < 9 {
				req.Parts = append(req.Parts, req.GetParts()[0])
			}
			_, err := d.blend(req)
			return err
		},
		"D12 a recall that reached 2500 orders": recallsFar,
	}
}

// recallsFar recalls what went to 2,500 orders: a recall is never too large, its facts name them all, each once, and none is larger than
// an event server takes.
func recallsFar(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "far", "5", days(200))
	of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for i := range 2_500 {
			job := fmt.Sprintf("workOrders/far-%04d", i)
			m := &consumablesv1.StockMovement{
				Name: "stockMovements/" + job[len("workOrders/"):], Kind: consumablesv1.StockMovement_ISSUED, Lot: lot.GetName(), Item: lot.GetItem(), WorkOrder: job,
				Quantity: litres("0.001"), EffectiveTime: timestamppb.New(d.clock.Now()),
			}
			moved := []stock.Posting{{Lot: lot.GetName(), Location: shelf, Amount: -stock.Scale / 1000}, {Lot: lot.GetName(), Location: job, Amount: stock.Scale / 1000}}
			if err := store.Post(ctx, tx, m, moved, d.clock.Now()); err != nil {
				return err
			}
		}
		return nil
	})).done(t)
	_, err := d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot.GetName(), Reason: "maker's letter"})
	told := map[string]int{}
	for _, fact := range d.factsAbout(lot.GetName(), "coldsection.stock.lot.recalled.v1") {
		var changed consumablesv1.LotChanged
		of(0, protojson.Unmarshal(fact.Data, &changed)).done(t)
		for _, job := range changed.GetReachedWorkOrders() {
			told[job]++
		}
		if n := len(changed.GetReachedWorkOrders()); n == 0 || n > 1_000 || changed.GetReason() != "maker's letter" {
			t.Errorf("a fact names %d orders, because of %q", n, changed.GetReason())
		}
	}
	for job, times := range told {
		if times != 1 {
			t.Errorf("%s is named %d times", job, times)
		}
	}
	if len(told) != 2_500 {
		t.Errorf("%d of 2500 orders are named", len(told))
	}
	return err
}

// factsAbout are the facts of a type about a subject, in their order.
func (d desk) factsAbout(subject, typ string) (found []outbox.Event) {
	d.t.Helper()
	of(0, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		all, err := outbox.About(ctx, tx, "consumables", subject, 0, 1_000)
		for _, e := range all {
			if e.Type == typ {
				found = append(found, e)
			}
		}
		return err
	})).done(d.t)
	return found
}
