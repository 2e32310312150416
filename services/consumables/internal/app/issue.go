package app

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// IssueStock hands stock out to a work order.
func (a *App) IssueStock(ctx context.Context, req *consumablesv1.IssueStockRequest) (*consumablesv1.StockMovement, error) {
	holds := []string{req.GetName(), req.GetWorkOrder()}
	return idempotency.ExecuteHolding(ctx, a.DB, a.Clock, req, holds, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		line, err := store.LockLine(ctx, tx, req.GetName(), req.GetWorkOrder())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(line.Lot, req.GetEtag()); err != nil {
			return nil, err
		}
		amount, err := amountOf(req.GetQuantity(), line.Item)
		if err != nil {
			return nil, err
		}
		if len(line.Demands) == 0 {
			return nil, fault.Precondition("WORK_ORDER_UNKNOWN", "Stores know of no demand of %s. Schedule the order first.", req.GetWorkOrder())
		}
		if ended(line.Demands) && req.GetOverrideReason() == "" {
			return nil, fault.Precondition("WORK_ORDER_ENDED",
				"%s was released or voided, and nothing is handed out to it any more. Take the order that it is for; or give a reason, if it was handed out before and is booked late.",
				req.GetWorkOrder())
		}
		u.known = map[string][]stock.Posting{req.GetName(): line.Balances}
		return u.issue(ctx, req, line, amount)
	})
}

// issue hands an amount of a lot out to an order.
func (u unit) issue(ctx context.Context, req *consumablesv1.IssueStockRequest, line store.Line, amount stock.Micro) (*consumablesv1.StockMovement, error) {
	lot, item, need := line.Lot, line.Item, needTime(line.Demands, line.Lot.GetItem(), u.now)
	if err := allowedUse(item, line.Demands, req.GetWorkOrder()); err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_ISSUED, lot, amount, item.GetBaseUnitCode())
	m.WorkOrder, m.Reason = req.GetWorkOrder(), req.GetOverrideReason()
	var err error
	if m.EffectiveTime, err = u.happenedTo(ctx, lot, "effective_time", req.GetEffectiveTime()); err != nil {
		return nil, err
	}
	others, err := u.others(line.Claims, lot.GetName(), req.GetWorkOrder(), item.GetBaseUnitCode())
	if err != nil {
		return nil, err
	}
	c, claimed := u.rules(ctx, lot, item, need), others
	if at := m.GetEffectiveTime().AsTime(); req.GetOverrideReason() != "" && usableOnlyThen(lot, at) {
		need, claimed = at, 0 // it was handed out before anybody knew; what others claim of it they don't get
		c = u.rulesThen(ctx, lot, item, at)
	}
	stands(&c, line.Balances)
	from, err := u.mayIssue(ctx, c, claimed, line, req, amount, need)
	if err != nil {
		return nil, err
	}
	opening, err := u.openingOf(ctx, lot, item, req, amount, from, need)
	if err != nil {
		return nil, err
	}
	own, met, err := u.settle(ctx, line, amount)
	if err != nil {
		return nil, err
	}
	lot.Reserved = store.Quantity(others+own, item.GetBaseUnitCode())
	if err := u.handOut(ctx, m, lot, item, opening, from, need); err != nil {
		return nil, err
	}
	if err := u.reachedLate(ctx, lot, m); err != nil || !met {
		return m, err
	}
	return m, u.demandsMet(ctx, req.GetWorkOrder(), line.Demands)
}

// handOut posts an issue: whole packs stay sealed, and a part comes out of a container that is opened for it and must then keep
// until it is needed. Reasons: LOT_EXPIRED, PACK_PROMISED.
func (u unit) handOut(
	ctx context.Context, m *consumablesv1.StockMovement, lot *consumablesv1.Lot, item *consumablesv1.Item, o stock.Opening, from string, need time.Time,
) error {
	order := m.GetWorkOrder()
	if o.Part == 0 {
		return u.post(ctx, m, item, transfer(lot.GetName(), from, order, o.Sealed), lot)
	}
	pack, err := u.opened(ctx, lot, item, o.Opened, from, from, m.GetEffectiveTime().AsTime())
	if err != nil {
		return err
	}
	if err := u.usableThen(ctx, pack, item, need); err != nil {
		return err
	}
	if pack.GetName() == lot.GetName() {
		return u.post(ctx, m, item, transfer(lot.GetName(), from, order, o.Sealed+o.Part), lot)
	}
	if err := u.moveClaims(ctx, lot, pack, item, order, o.Sealed); err != nil {
		return err
	}
	if err := u.handOutSealed(ctx, m, lot, item, o.Sealed, from); err != nil {
		return err
	}
	m.Lot, m.Quantity = pack.GetName(), store.Quantity(o.Part, item.GetBaseUnitCode())
	return u.post(ctx, m, item, transfer(pack.GetName(), from, order, o.Part), pack)
}

// handOutSealed posts the whole packs of an issue that also opens one, and saves their lot.
func (u unit) handOutSealed(ctx context.Context, m *consumablesv1.StockMovement, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, from string) error {
	if amount == 0 {
		return store.Lots.Save(ctx, u.Tx, lot, u.now)
	}
	s := u.movement(consumablesv1.StockMovement_ISSUED, lot, amount, item.GetBaseUnitCode())
	s.WorkOrder, s.Reason, s.EffectiveTime = m.GetWorkOrder(), m.GetReason(), m.GetEffectiveTime()
	m.SealedMovement = s.GetName()
	return u.post(ctx, s, item, transfer(lot.GetName(), from, m.GetWorkOrder(), amount), lot)
}

// needTime is when an order needs an item; now, when that is past.
func needTime(demands []store.Demand, item string, now time.Time) time.Time {
	for _, d := range demands {
		if d.Item == item && d.Need.After(now) {
			return d.Need
		}
	}
	return now
}

// mayIssue checks a lot for the time of need, that stock is there and unclaimed by others, and that no lot expires before it. It
// returns the place to take from.
func (u unit) mayIssue(
	ctx context.Context, c stock.Candidate, claimed stock.Micro, line store.Line, req *consumablesv1.IssueStockRequest, amount stock.Micro, at time.Time,
) (string, error) {
	item := line.Item
	if reason, why := stock.Refuse(c, at); reason != "" {
		f := fault.Precondition(reason, "%s", why).With("lot", c.Lot)
		if picks, _, _, err := u.choose(ctx, item, req.GetWorkOrder(), amount, at); err == nil && len(picks) > 0 {
			f = f.With("suggested_lot", picks[0].Lot)
		}
		return "", f
	}
	if free := max(0, c.Available-claimed); amount > free {
		return "", fault.Precondition("INSUFFICIENT_STOCK", "Lot %s has %s %s that is not claimed by other orders; %s was asked for. Take less, or another lot.",
			c.Lot, free.Text(), item.GetBaseUnitCode(), amount.Text()).With("available", free.Text()).With("lot", c.Lot)
	}
	if err := u.firstToExpire(ctx, c, line, req, amount, at); err != nil {
		return "", err
	}
	if req.GetLocation() != "" {
		place, err := store.Locations.Get(ctx, u.Tx, req.GetLocation())
		return place.GetName(), err
	}
	return c.Location, nil
}

// firstToExpire refuses a lot while another one that ends earlier could be taken, unless a reason is given. Reason:
// LOT_NOT_FIRST_TO_EXPIRE.
func (u unit) firstToExpire(
	ctx context.Context, c stock.Candidate, line store.Line, req *consumablesv1.IssueStockRequest, amount stock.Micro, at time.Time,
) error {
	if req.GetOverrideReason() != "" {
		return nil
	}
	picks, _, _, err := u.chooseAmong(ctx, line.Sooner, line.Item, req.GetWorkOrder(), amount, at)
	if err != nil || len(picks) == 0 || picks[0].Lot == c.Lot || picks[0].Expire.Equal(c.Expire) {
		return err
	}
	return fault.Precondition("LOT_NOT_FIRST_TO_EXPIRE", "Lot %s is to be taken first: %s Take it, or give a reason for another one.", picks[0].Lot, picks[0].Why).
		With("suggested_lot", picks[0].Lot)
}

// SuggestLots says which lots to take, and why others were passed over.
func (a *App) SuggestLots(ctx context.Context, req *consumablesv1.SuggestLotsRequest) (*consumablesv1.SuggestLotsResponse, error) {
	resp := &consumablesv1.SuggestLotsResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		item, err := store.Items.Get(ctx, tx, req.GetItem())
		if err != nil {
			return err
		}
		need, err := stock.FromQuantity(req.GetQuantityValue(), req.GetQuantityUnitCode(), item.GetBaseUnitCode())
		if err != nil {
			return placed("quantity_", err)
		}
		at := u.now
		if req.GetNeedTime() != nil {
			at = req.GetNeedTime().AsTime()
		}
		picks, skips, missing, err := u.choose(ctx, item, req.GetWorkOrder(), need, at)
		if err != nil {
			return err
		}
		for _, p := range picks {
			s := &consumablesv1.LotSuggestion{Lot: p.Lot, ShortCode: p.ShortCode, Location: p.Location, Quantity: store.Quantity(p.Amount, item.GetBaseUnitCode()), Explanation: p.Why}
			if !p.Expire.IsZero() {
				s.ExpireTime = timestamppb.New(p.Expire)
			}
			resp.Suggestions = append(resp.Suggestions, s)
		}
		for _, s := range skips {
			resp.Skipped = append(resp.Skipped, &consumablesv1.SkippedLot{Lot: s.Lot, Reason: s.Reason, Explanation: s.Why})
		}
		resp.Shortfall = store.Quantity(missing, item.GetBaseUnitCode())
		return err
	})
	return resp, err
}

// LookUpLot finds a lot by any code on it and says whether it may be used.
func (a *App) LookUpLot(ctx context.Context, req *consumablesv1.LookUpLotRequest) (*consumablesv1.LookUpLotResponse, error) {
	resp := &consumablesv1.LookUpLotResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		lot, err := u.lookedUp(ctx, req)
		if err != nil {
			return err
		}
		item, err := u.itemOf(ctx, lot)
		if err != nil {
			return err
		}
		at := u.now
		if req.GetNeedTime() != nil {
			at = req.GetNeedTime().AsTime()
		}
		c, err := u.candidate(ctx, lot, item, at)
		if err != nil {
			return err
		}
		reason, why := stock.Refuse(c, at)
		if reason == "" {
			why = fmt.Sprintf("Usable: %s.", lot.GetLifeRule())
		}
		resp.Lot, resp.Usable, resp.Reason, resp.Explanation = lot, reason == "", reason, why
		return nil
	})
	return resp, err
}
