package app

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// bookingPatience is how long a use waits for the issue that the books lack. It is the suite's own rule: long enough to book what was handed
// out in haste, short enough that a recall finds the engine.
const bookingPatience = time.Hour

// Used is what a step used of a lot.
type Used struct {
	Order, Engine, Lot, Value, Unit string

	At   time.Time // when it was used
	Told time.Time // when the step was recorded
}

// Use books what an order used on its engine. Where the job has less of the lot than that, it is refused until the issue is booked, and booked
// all the same after an hour: it is on the engine, and waiting longer would hide that from a recall. Reason: INSUFFICIENT_STOCK.
func (a *App) Use(ctx context.Context, tx *storage.Tx, used Used) error {
	u := a.unit(ctx, tx)
	lot, item, err := u.lockLot(ctx, used.Lot, "")
	if err != nil {
		return err
	}
	amount, err := stock.FromQuantity(used.Value, used.Unit, item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	has, err := u.withJob(ctx, lot, item, used.Order)
	if err != nil {
		return err
	}
	parts, missing := has.taken(amount)
	if missing > 0 && u.now.Sub(used.Told) < bookingPatience {
		parts, missing = []stock.Micro{amount}, 0 // which is refused with what the job has
	}
	for _, part := range parts {
		if _, err := u.consume(ctx, lot, item, part, used.Order, used.Engine, used.At); err != nil {
			return err
		}
	}
	if missing == 0 {
		return nil
	}
	return u.usedBeyondBooks(ctx, lot, item, missing, used)
}

// jobStock is what a job has of a lot: of its packs that were opened, the first to end first, and of the lot itself.
type jobStock struct {
	opened []stock.Micro
	lot    stock.Micro
}

func (u unit) withJob(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, order string) (has jobStock, err error) {
	if has.lot, err = store.Balance(ctx, u.Tx, lot.GetName(), order); err != nil || !sealed(lot, item) {
		return has, err
	}
	packs, err := store.OpenedPacks(ctx, u.Tx, lot.GetName(), order)
	for _, p := range packs {
		has.opened = append(has.opened, p.Amount)
	}
	return has, err
}

// taken is an amount in parts that one container holds each, and what no container holds.
func (has jobStock) taken(amount stock.Micro) (parts []stock.Micro, missing stock.Micro) {
	if has.lot >= amount {
		return []stock.Micro{amount}, 0
	}
	for _, opened := range has.opened {
		if opened >= amount {
			return []stock.Micro{amount}, 0
		}
	}
	for _, there := range append(has.opened, has.lot) {
		if part := min(there, amount); part > 0 {
			parts = append(parts, part)
			amount -= part
		}
	}
	return parts, amount
}

// usedBeyondBooks books what was used and no job had, as found by nobody's count. Its reason says what is to be put right.
func (u unit) usedBeyondBooks(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, used Used) error {
	m := u.movement(consumablesv1.StockMovement_CONSUMED, lot, amount, item.GetBaseUnitCode())
	m.WorkOrder, m.Engine, m.EffectiveTime = used.Order, used.Engine, timestamppb.New(used.At)
	m.Reason = fmt.Sprintf("Used beyond the books: a step of %s used %s %s of %s and the job had %s %s less. "+
		"Count the lot; or reverse this, book the issue that was missed, and book the use again.",
		used.Order, used.Value, used.Unit, lot.GetName(), amount.Text(), item.GetBaseUnitCode())
	if err := u.post(ctx, m, item, transfer(lot.GetName(), store.CountDifference, used.Engine, amount)); err != nil {
		return err
	}
	if err := u.reachedLate(ctx, lot, m); err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.stock.use.unbooked.v1", m.GetName(), &consumablesv1.StockRecordChanged{
		Record: m.GetName(), Item: m.GetItem(), Lot: m.GetLot(), WorkOrder: used.Order, State: m.GetKind().String(), Quantity: m.GetQuantity(),
	})
}
