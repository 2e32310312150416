package app

import (
	"cmp"
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// DecantStock fills part of a lot into another container: a lot of its own with the same documents, which the trace follows
// from the first. Filling opens the container that it comes out of, so the life of that once open begins.
func (a *App) DecantStock(ctx context.Context, req *consumablesv1.DecantStockRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		amount, err := amountOf(req.GetQuantity(), item)
		if err != nil {
			return nil, err
		}
		at, err := u.happenedTo(ctx, lot, "effective_time", req.GetEffectiveTime())
		if err != nil {
			return nil, err
		}
		from, err := u.mayDecant(ctx, lot, item, amount, at.AsTime())
		if err != nil {
			return nil, err
		}
		return u.decant(ctx, lot, item, amount, from, cmp.Or(req.GetLocation(), from), at.AsTime())
	})
}

// decant fills an amount over from one place into a container at another, as of an instant.
func (u unit) decant(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, from, into string, at time.Time,
) (*consumablesv1.Lot, error) {
	place, err := store.Locations.Get(ctx, u.Tx, into)
	if err != nil {
		return nil, err
	}
	lot, err = u.openToDecant(ctx, lot, item, amount, from, at)
	if err != nil {
		return nil, err
	}
	filled, err := u.fillOver(ctx, lot, item, amount, from, into, at)
	if err != nil {
		return nil, err
	}
	if err := u.countedAt(ctx, filled.GetName(), item, into); err != nil {
		return nil, err
	}
	if err := u.blockedSince(ctx, filled.GetName(), lot); err != nil {
		return nil, err
	}
	if err := u.filledInHold(ctx, filled.GetName(), place); err != nil {
		return nil, err
	}
	return store.Lots.Get(ctx, u.Tx, filled.GetName())
}

// mayDecant checks that the lot might be used at an instant and that so much of it stood in one place then, which it returns. What is filled over
// now leaves alone what orders claim; what was filled over before its lot was blocked is booked all the same, as they don't get it any more.
func (u unit) mayDecant(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, at time.Time) (string, error) {
	if err := u.usableThen(ctx, lot, item, at); err != nil {
		return "", err
	}
	c, err := u.candidate(ctx, lot, item, at)
	if err != nil {
		return "", err
	}
	var claimed stock.Micro
	if !usableOnlyThen(lot, at) {
		if claimed, err = u.claimedByOthers(ctx, lot.GetName(), "", item.GetBaseUnitCode()); err != nil {
			return "", err
		}
	}
	if free := max(0, c.Available-claimed); amount > free {
		return "", fault.Precondition("INSUFFICIENT_STOCK", "Lot %s has %s %s that no order claims; %s was to be filled over. Fill less, or free a claim.",
			lot.GetName(), free.Text(), item.GetBaseUnitCode(), amount.Text()).With("available", free.Text()).With("lot", lot.GetName())
	}
	if !at.Before(u.now) {
		return c.Location, nil
	}
	return u.stoodThen(ctx, lot, item, amount, at)
}

// openToDecant is the container that is filled over: the lot, or as many packs of it as the amount takes, opened together at an instant.
func (u unit) openToDecant(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, from string, at time.Time,
) (*consumablesv1.Lot, error) {
	if !sealed(lot, item) {
		return lot, u.openedSooner(ctx, lot, item, from, at)
	}
	pack, err := packOf(lot, item)
	if err != nil {
		return nil, err
	}
	there, err := store.Balance(ctx, u.Tx, lot.GetName(), from)
	if err != nil {
		return nil, err
	}
	source, err := u.opened(ctx, lot, item, stock.PacksFor(amount, pack, there), from, from, at)
	if err != nil || source.GetName() == lot.GetName() {
		return source, err
	}
	if err := u.moveClaims(ctx, lot, source, item, "", 0); err != nil {
		return nil, err
	}
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return nil, err
	}
	return source, store.Lots.Save(ctx, u.Tx, source, u.now)
}

// open starts a lot's life once open, the first time that it is opened; its days are counted where it stands.
func (u unit) open(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, location string, at time.Time) error {
	if lot.GetOpenTime() != nil {
		return nil
	}
	zone, err := u.zoneOf(ctx, location)
	if err != nil {
		return err
	}
	end, rule, known, err := stock.Life{Opened: at, OpenedDays: int(item.GetOpenedLifeDays())}.End(zone)
	if err != nil {
		return err
	}
	if known && (lot.GetExpireTime() == nil || end.Before(lot.GetExpireTime().AsTime())) {
		lot.ExpireTime, lot.LifeRule = timestamppb.New(end), rule
	}
	lot.OpenTime = timestamppb.New(at)
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// fillOver writes the new lot, and the movement through the place of the books where things are made.
func (u unit) fillOver(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, from, into string, at time.Time,
) (*consumablesv1.Lot, error) {
	filled, err := u.container(ctx, lot, store.Quantity(amount, item.GetBaseUnitCode()))
	if err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_DECANTED, lot, amount, item.GetBaseUnitCode())
	m.EffectiveTime = timestamppb.New(at)
	postings := append(transfer(lot.GetName(), from, store.Production, amount), transfer(filled.GetName(), store.Production, into, amount)...)
	if err := u.post(ctx, m, item, postings); err != nil {
		return nil, err
	}
	edge := stock.Edge{Target: filled.GetName(), Origin: lot.GetName(), Movement: m.GetName(), Amount: amount}
	if err := store.AddEdge(ctx, u.Tx, edge); err != nil {
		return nil, err
	}
	return store.Lots.Get(ctx, u.Tx, filled.GetName())
}

// container is a new lot with the documents, dates and hazards of the lot that it is filled from.
func (u unit) container(ctx context.Context, lot *consumablesv1.Lot, amount *commonv1.Quantity) (*consumablesv1.Lot, error) {
	filled, _ := proto.Clone(lot).(*consumablesv1.Lot)
	resource.ClearOutputOnly(filled)
	code, err := u.nextCode(ctx)
	if err != nil {
		return nil, err
	}
	filled.Name, filled.ShortCode, filled.State = u.app.newName("lots", ""), code, consumablesv1.Lot_USABLE
	filled.OpenTime, filled.ExpireTime, filled.LifeRule = lot.GetOpenTime(), lot.GetExpireTime(), lot.GetLifeRule()
	filled.LatestWaterTest, filled.Hazards = lot.GetLatestWaterTest(), lot.GetHazards()
	filled.ExternalIds = nil // they are those of the lot that was received
	filled.Received, filled.Parents = amount, []*consumablesv1.BlendPart{{Lot: lot.GetName(), Quantity: amount}}
	return filled, store.Lots.Insert(ctx, u.Tx, filled, u.now)
}

// filledInHold holds what was filled over into a hold area though its lot may be used, as what is moved there is held.
func (u unit) filledInHold(ctx context.Context, name string, place *consumablesv1.Location) error {
	if place.GetKind() != consumablesv1.Location_HOLD_AREA {
		return nil
	}
	filled, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil || filled.GetState() != consumablesv1.Lot_USABLE {
		return err
	}
	const why = "Filled over into a hold area"
	if err := u.hold(ctx, filled, why); err != nil {
		return err
	}
	return u.lotFact(ctx, "held", filled, filled.GetOnHand(), why)
}
