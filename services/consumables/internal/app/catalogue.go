package app

import (
	"context"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateItem adds an item to the catalogue.
func (a *App) CreateItem(ctx context.Context, req *consumablesv1.CreateItemRequest) (*consumablesv1.Item, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
		_, err := a.unit(ctx, tx).createItem(ctx, req.GetItem(), req.GetItemId())
		return req.GetItem(), err
	})
}

// UpdateItem changes an item.
func (a *App) UpdateItem(ctx context.Context, req *consumablesv1.UpdateItemRequest) (*consumablesv1.Item, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
		item, err := store.Items.Lock(ctx, tx, req.GetItem().GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(item, req.GetItem().GetEtag()); err != nil {
			return nil, err
		}
		req.Item.OnHand, req.Item.Available = nil, nil // as they were read, they are no part of what is kept
		if err := resource.Apply(item, req.GetItem(), req.GetUpdateMask()); err != nil {
			return nil, err
		}
		if err := checkItem(item); err != nil {
			return nil, err
		}
		if err := store.Items.Save(ctx, tx, item, a.Clock.Now()); err != nil {
			return nil, err
		}
		return item, a.unit(ctx, tx).itemFact(ctx, "updated", item)
	})
}

// CreateLocation adds a place of stores.
func (a *App) CreateLocation(ctx context.Context, req *consumablesv1.CreateLocationRequest) (*consumablesv1.Location, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Location, error) {
		place := req.GetLocation()
		resource.ClearOutputOnly(place)
		if k := place.GetKind(); k != consumablesv1.Location_BIN && k != consumablesv1.Location_HOLD_AREA {
			return nil, fault.Invalid("location.kind", "LOCATION_KIND_NOT_ALLOWED", "People create a BIN or a HOLD_AREA; %s belongs to the books. Choose one of those two.", k)
		}
		if _, err := time.LoadLocation(place.GetTimeZone()); err != nil || place.GetTimeZone() == "" {
			return nil, fault.Invalid("location.time_zone", "TIME_ZONE_UNKNOWN", "%q is not an IANA time zone, in which use-by days are counted. Give one, such as Europe/Oslo.", place.GetTimeZone())
		}
		place.Name = a.newName("locations", req.GetLocationId())
		if !store.Physical(place.GetName()) {
			return nil, fault.Exists(place.GetName())
		}
		if err := store.Locations.Insert(ctx, tx, place, a.Clock.Now()); err != nil {
			return nil, err
		}
		return place, a.unit(ctx, tx).publish(ctx, "coldsection.stock.location.created.v1", place.GetName(), &consumablesv1.StockRecordChanged{
			Record: place.GetName(), State: place.GetKind().String(),
		})
	})
}

// ReserveStock claims stock for an order by hand.
func (a *App) ReserveStock(ctx context.Context, req *consumablesv1.ReserveStockRequest) (*consumablesv1.Reservation, error) {
	if err := isOrder(req.GetWorkOrder()); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Reservation, error) {
		u := a.unit(ctx, tx)
		line := Line{Item: req.GetItem(), Value: req.GetQuantity().GetValue(), Unit: req.GetQuantity().GetUnitCode()}
		job, err := u.jobOf(ctx, req.GetWorkOrder())
		if err != nil {
			return nil, err
		}
		if job.Ended {
			return nil, fault.Precondition("WORK_ORDER_ENDED", "%s was released or voided and claims nothing any more. Name the order that needs it.", req.GetWorkOrder())
		}
		old, err := store.DemandsOf(ctx, tx, req.GetWorkOrder())
		if err != nil {
			return nil, err
		}
		if at := req.GetNeedTime().AsTime(); at.Add(claimGrace).Before(u.now) {
			return nil, fault.Invalid("need_time", "TIME_IN_PAST", "%s is more than a week ago, when a claim lapses by itself. Give the time at which it is needed.", at.Format(time.RFC3339))
		}
		d, item, need, err := u.wanted(ctx, req.GetWorkOrder(), req.GetNeedTime().AsTime(), line)
		if err != nil {
			return nil, placed("quantity.", err)
		}
		before := demandOf(old, req.GetItem())
		d.Work = job.Work
		d.Reserved, d.Issued, d.Needed = before.Reserved, before.Issued, max(before.Needed, before.Reserved+before.Issued+need)
		d.GivenUp = max(0, before.GivenUp-need)
		d, lots, err := u.claim(ctx, d, item, need)
		if err != nil {
			return nil, err
		}
		if short := before.Reserved + need - d.Reserved; short > 0 || len(lots) == 0 {
			return nil, fault.Precondition("INSUFFICIENT_STOCK", "%s %s of %s can't be promised. Receive more, or ask for less.", short.Text(), d.Unit, d.Item)
		}
		claims, err := store.Reservations.Where(ctx, tx, "work_order = $1 AND lot = $2 AND state = 'CLAIMED' ORDER BY name DESC", req.GetWorkOrder(), lots[0])
		if err != nil {
			return nil, err
		}
		return claims[0], u.claimFact(ctx, "claimed", claims[0])
	})
}

// ReleaseReservation gives a claim up.
func (a *App) ReleaseReservation(ctx context.Context, req *consumablesv1.ReleaseReservationRequest) (*consumablesv1.Reservation, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Reservation, error) {
		u := a.unit(ctx, tx)
		claim, err := store.Reservations.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(claim, req.GetEtag()); err != nil {
			return nil, err
		}
		if claim.GetState() != consumablesv1.Reservation_CLAIMED {
			return nil, fault.Precondition("RESERVATION_"+claim.GetState().String(), "%s is %s; there is nothing to release. List the claims of its order for one that stands.",
				claim.GetName(), claim.GetState())
		}
		claim.State = consumablesv1.Reservation_FREED
		if err := u.unclaim(ctx, claim, true); err != nil {
			return nil, err
		}
		if err := u.saveClaim(ctx, claim); err != nil {
			return nil, err
		}
		return claim, u.claimFact(ctx, "released", claim)
	})
}

// unclaim takes a claim out of its order's demand; one that somebody gave up is not claimed again by itself.
func (u unit) unclaim(ctx context.Context, claim *consumablesv1.Reservation, givenUp bool) error {
	demands, err := store.DemandsOf(ctx, u.Tx, claim.GetWorkOrder())
	if err != nil {
		return err
	}
	d := demandOf(demands, claim.GetItem())
	if d.Item == "" {
		return nil
	}
	given, err := stock.FromQuantity(claim.GetQuantity().GetValue(), claim.GetQuantity().GetUnitCode(), d.Unit)
	if err != nil {
		return err
	}
	d.Reserved = max(0, d.Reserved-given)
	if givenUp {
		d.GivenUp += given
	}
	return store.SaveDemand(ctx, u.Tx, d)
}
