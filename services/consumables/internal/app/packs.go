package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// opened is the container that a part is taken out of: the lot itself where what is opened is all that there is of it, else the
// pack, which is a lot of its own from then on. Its days are counted where home is; it stands at the place.
func (u unit) opened(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, content stock.Micro, place, home string, at time.Time,
) (*consumablesv1.Lot, error) {
	pack, err := packOf(lot, item)
	if err != nil {
		return nil, err
	}
	anywhere, err := u.anywhere(ctx, lot.GetName())
	if err != nil {
		return nil, err
	}
	if pack == 0 || content >= anywhere {
		return lot, u.open(ctx, lot, item, home, at)
	}
	return u.takeOut(ctx, lot, item, content, place, home, at)
}

// anywhere is what is left of a lot in stores and with jobs.
func (u unit) anywhere(ctx context.Context, lot string) (sum stock.Micro, err error) {
	balances, err := store.Balances(ctx, u.Tx, lot)
	for _, b := range balances {
		if store.Physical(b.Location) || isOrder(b.Location) == nil {
			sum += b.Amount
		}
	}
	return sum, err
}

// takeOut makes a lot of its own of a pack that is opened where it stands.
func (u unit) takeOut(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, content stock.Micro, place, home string, at time.Time,
) (*consumablesv1.Lot, error) {
	pack, err := u.container(ctx, lot, store.Quantity(content, item.GetBaseUnitCode()))
	if err != nil {
		return nil, err
	}
	pack.SourceLot, pack.PackQuantity = lot.GetName(), nil
	if s := lot.GetState(); s != consumablesv1.Lot_USABLE && s != consumablesv1.Lot_EMPTIED {
		pack.State, pack.HoldReason, pack.BlockTime = s, lot.GetHoldReason(), lot.GetBlockTime() // what is doubtful sealed is doubtful opened
		if s == consumablesv1.Lot_HELD {
			pack.HeldOrigin = lot.GetName()
		}
	}
	if err := u.open(ctx, pack, item, home, at); err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_OPENED, lot, content, item.GetBaseUnitCode())
	m.EffectiveTime = timestamppb.New(at)
	if m.Reason = "Opened as " + pack.GetShortCode(); isOrder(place) == nil {
		m.WorkOrder = place
	}
	postings := append(transfer(lot.GetName(), place, store.Production, content), transfer(pack.GetName(), store.Production, place, content)...)
	if err := u.post(ctx, m, item, postings, lot, pack); err != nil {
		return nil, err
	}
	return pack, store.AddEdge(ctx, u.Tx, stock.Edge{Target: pack.GetName(), Origin: lot.GetName(), Movement: m.GetName(), Amount: content})
}

// atJob is the container that an amount with a job comes out of when it is used or brought back: sealed packs where it is a whole
// number of them, else a pack that was opened for the job, the first to end first, else one that is opened now.
func (u unit) atJob(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, order string, at time.Time,
) (*consumablesv1.Lot, error) {
	pack, err := packOf(lot, item)
	if err != nil || !sealed(lot, item) {
		return lot, err
	}
	there, err := store.Balance(ctx, u.Tx, lot.GetName(), order)
	if err != nil {
		return nil, err
	}
	whole, err := wholePacks(lot, item, amount)
	if err != nil || whole && there >= amount {
		return lot, err
	}
	packs, err := store.OpenedPacks(ctx, u.Tx, lot.GetName(), order)
	if err != nil {
		return nil, err
	}
	var said strings.Builder
	for _, p := range packs {
		if p.Amount >= amount {
			return store.Lots.Lock(ctx, u.Tx, p.Lot)
		}
		fmt.Fprintf(&said, ", and %s of the opened pack %s", p.Amount.Text(), p.Lot)
	}
	if there < amount && said.Len() > 0 {
		return nil, fault.Precondition("INSUFFICIENT_STOCK", "%s has %s of sealed packs of lot %s%s; %s was asked for. Book each pack by itself.",
			order, there.Text(), lot.GetName(), said.String(), amount.Text()).With("lot", lot.GetName()).With("location", order)
	}
	home, err := u.homeOf(ctx, lot)
	if err != nil {
		return nil, err
	}
	return u.opened(ctx, lot, item, stock.PacksFor(amount, pack, there), order, home, at)
}

// homeOf is where a lot stands in stores, in whose zone its days are counted; of one that is with jobs only where it last stood and, of what
// was mixed there, where something of what it was made of stands or last stood. Empty when none of it ever stood anywhere.
func (u unit) homeOf(ctx context.Context, lot *consumablesv1.Lot) (string, error) {
	for _, b := range lot.GetBalances() {
		if store.Physical(b.GetLocation()) {
			return b.GetLocation(), nil
		}
	}
	names, err := u.walk(ctx, lot.GetName(), false)
	if err != nil {
		return "", err
	}
	for _, name := range names {
		places, err := store.Stood(ctx, u.Tx, name)
		if err != nil {
			return "", err
		}
		for _, place := range places {
			if store.Physical(place) {
				return place, nil
			}
		}
	}
	return "", nil
}
