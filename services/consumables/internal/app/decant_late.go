package app

import (
	"cmp"
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// stoodThen is the place that has so much of a lot, the fullest first, and had it at an instant and ever since, to the minute to which times are
// written: out of any other the books of then would have taken what was not there. Reason: TIME_BEFORE_STOCK.
func (u unit) stoodThen(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, at time.Time) (string, error) {
	balances, err := store.Balances(ctx, u.Tx, lot.GetName())
	if err != nil {
		return "", err
	}
	var refusal error
	for _, b := range fullest(balances) {
		taken, err := takenOpen(lot, item, amount, b.Amount)
		if err != nil {
			return "", err
		}
		had, when, err := store.LowestFrom(ctx, u.Tx, lot.GetName(), b.Location, at.Add(time.Minute))
		if err != nil {
			return "", err
		}
		if had >= taken && b.Amount >= taken {
			return b.Location, nil
		}
		if refusal == nil {
			refusal = tooLittleThen(lot, item, amount, b.Location, had, when, at)
		}
	}
	return "", refusal
}

// fullest are the places in stores among balances, the one with most first.
func fullest(balances []stock.Posting) []stock.Posting {
	places := slices.DeleteFunc(slices.Clone(balances), func(b stock.Posting) bool { return !store.Physical(b.Location) })
	slices.SortStableFunc(places, func(a, b stock.Posting) int { return cmp.Compare(b.Amount, a.Amount) })
	return places
}

// takenOpen is how much leaves a lot for an amount that is filled over: of sealed packs the whole ones that are opened for it.
func takenOpen(lot *consumablesv1.Lot, item *consumablesv1.Item, amount, there stock.Micro) (stock.Micro, error) {
	pack, err := packOf(lot, item)
	if err != nil || pack == 0 || !sealed(lot, item) {
		return amount, err
	}
	return stock.PacksFor(amount, pack, there), nil
}

func tooLittleThen(lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, place string, had stock.Micro, when, at time.Time) error {
	f := fault.Precondition("TIME_BEFORE_STOCK", "%s had %s %s of lot %s at %s, and %s was filled over. Correct the time; or reverse what was booked there since, and book both in their order.",
		place, max(0, had).Text(), item.GetBaseUnitCode(), lot.GetName(), at.UTC().Format(time.RFC3339), amount.Text())
	if when.After(at.Add(time.Minute)) {
		f = fault.Precondition("TIME_BEFORE_STOCK", "Other entries left %s with %s %s of lot %s at %s, and %s was filled over before. Correct the time; or reverse those entries, "+
			"and book both in their order.", place, max(0, had).Text(), item.GetBaseUnitCode(), lot.GetName(), when.UTC().Format(time.RFC3339), amount.Text())
	}
	return f.With("lot", lot.GetName()).With("location", place)
}

// openedSooner dates back when an open lot was opened, where it was filled over before it was opened by the books. Its days count from then, and
// what was made of it ends no later.
func (u unit) openedSooner(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, place string, at time.Time) error {
	if lot.GetOpenTime() == nil || !at.Before(lot.GetOpenTime().AsTime()) {
		return nil
	}
	zone, err := u.zoneOf(ctx, place)
	if err != nil {
		return err
	}
	end, rule, known, err := stock.Life{Opened: at, OpenedDays: int(item.GetOpenedLifeDays())}.End(zone)
	if err != nil {
		return err
	}
	lot.OpenTime = timestamppb.New(at)
	shorter := known && endsBy(lot, end, rule)
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil || !shorter {
		return err
	}
	made, err := u.descendants(ctx, lot.GetName())
	if err != nil {
		return err
	}
	for _, name := range made[1:] {
		if err := u.endsWith(ctx, name, end, rule); err != nil {
			return err
		}
	}
	return nil
}

// endsWith shortens the life of what was made of a lot whose own became shorter.
func (u unit) endsWith(ctx context.Context, name string, end time.Time, rule string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || !endsBy(lot, end, rule) {
		return err
	}
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// blockedSince blocks what was filled over as the lot that it came out of was since, from the beginning, and tells of it.
func (u unit) blockedSince(ctx context.Context, name string, lot *consumablesv1.Lot) error {
	block := blockOf(lot)
	if block == nil {
		return nil
	}
	filled, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return err
	}
	filled.State, filled.HoldReason, filled.HeldOrigin, filled.BlockTime = block.GetState(), block.GetHoldReason(), block.GetHeldOrigin(), block.GetBlockTime()
	if err := store.Lots.Save(ctx, u.Tx, filled, u.now); err != nil {
		return err
	}
	return u.madeLate(ctx, filled, &consumablesv1.StockMovement{})
}
