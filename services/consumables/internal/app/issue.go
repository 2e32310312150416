package app

import (
	"context"
	"fmt"
	"math"
	"slices"
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

// candidate is a lot as the rules see it at an instant, with what stands of it.
func (u unit) candidate(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) (stock.Candidate, error) {
	c := u.rules(ctx, lot, item, at)
	balances, err := store.Balances(ctx, u.Tx, lot.GetName())
	stands(&c, balances)
	return c, err
}

// rules is what of a lot decides whether it may be used at an instant.
func (u unit) rules(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) stock.Candidate {
	c := stock.Candidate{
		Lot: lot.GetName(), ShortCode: lot.GetShortCode(), State: lot.GetState().String(), Opened: lot.GetOpenTime() != nil,
		Received: lot.GetCreateTime().AsTime(), Rule: lot.GetLifeRule(),
	}
	if lot.GetExpireTime() != nil {
		c.Expire, c.Known = lot.GetExpireTime().AsTime(), true
	} else {
		c.Known = item.GetNoLifeLimit()
	}
	c.UntestedReason, c.Untested = u.untested(ctx, lot, item, at)
	return c
}

// stands adds what is in stores of a lot, and the place that holds most.
func stands(c *stock.Candidate, balances []stock.Posting) {
	var most stock.Micro
	for _, b := range balances {
		if !store.Physical(b.Location) {
			continue
		}
		c.Available += b.Amount
		if b.Amount > most {
			most, c.Location = b.Amount, b.Location
		}
	}
}

// claimedByOthers is what reservations of other orders hold of a lot.
func (u unit) claimedByOthers(ctx context.Context, lot, order string, base string) (stock.Micro, error) {
	claims, err := store.Reservations.Where(ctx, u.Tx, "lot = $1 AND state = 'CLAIMED' AND work_order <> $2", lot, order)
	if err != nil {
		return 0, err
	}
	return u.others(claims, lot, order, base)
}

// others is what those of the claims that are not an order's hold of a lot.
func (u unit) others(claims []*consumablesv1.Reservation, lot, order, base string) (stock.Micro, error) {
	sums, err := u.claimed(slices.DeleteFunc(slices.Clone(claims), func(c *consumablesv1.Reservation) bool {
		return c.GetLot() != lot || c.GetWorkOrder() == order
	}), base)
	return sums[lot], err
}

// claimed sums the claims that have not lapsed, lot by lot.
func (u unit) claimed(claims []*consumablesv1.Reservation, base string) (map[string]stock.Micro, error) {
	sums := map[string]stock.Micro{}
	for _, c := range claims {
		if c.GetExpireTime().AsTime().Before(u.now) {
			continue
		}
		m, err := stock.FromQuantity(c.GetQuantity().GetValue(), c.GetQuantity().GetUnitCode(), base)
		if err != nil {
			return nil, err
		}
		sums[c.GetLot()] += m
	}
	return sums, nil
}

// choose applies the rules to every lot of an item, leaving out what other orders have claimed.
func (u unit) choose(ctx context.Context, item *consumablesv1.Item, order string, need stock.Micro, at time.Time) ([]stock.Pick, []stock.Skip, stock.Micro, error) {
	return u.chooseBefore(ctx, item, order, need, at, math.MaxInt64)
}

// chooseBefore is choose among the lots whose life ends before an instant in microseconds; those whose end is not in its
// column are looked at too. Its reads are three, however many lots there are.
func (u unit) chooseBefore(
	ctx context.Context, item *consumablesv1.Item, order string, need stock.Micro, at time.Time, end int64,
) ([]stock.Pick, []stock.Skip, stock.Micro, error) {
	lots, err := store.Lots.Where(ctx, u.Tx, "item = $1 AND state IN ('USABLE', 'HELD') AND expire_time < $2 ORDER BY name", item.GetName(), end)
	if err != nil || len(lots) == 0 {
		return nil, nil, need, err
	}
	balances, err := store.BalancesOfItem(ctx, u.Tx, item.GetName())
	if err != nil {
		return nil, nil, 0, err
	}
	claims, err := store.Reservations.Where(ctx, u.Tx, "item = $1 AND state = 'CLAIMED' AND work_order <> $2", item.GetName(), order)
	if err != nil {
		return nil, nil, 0, err
	}
	claimed, err := u.claimed(claims, item.GetBaseUnitCode())
	if err != nil {
		return nil, nil, 0, err
	}
	var all []stock.Candidate
	for _, lot := range lots {
		c := u.rules(ctx, lot, item, at)
		stands(&c, balances[lot.GetName()])
		c.Available = max(0, c.Available-claimed[lot.GetName()])
		all = append(all, c)
	}
	picks, skips, missing := stock.Choose(all, need, at)
	return picks, skips, missing, nil
}

// IssueStock hands stock out to a work order.
func (a *App) IssueStock(ctx context.Context, req *consumablesv1.IssueStockRequest) (*consumablesv1.StockMovement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
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
		u.known = map[string][]stock.Posting{req.GetName(): line.Balances}
		return u.issue(ctx, req, line, amount)
	})
}

// issue hands an amount of a lot out to an order.
func (u unit) issue(ctx context.Context, req *consumablesv1.IssueStockRequest, line store.Line, amount stock.Micro) (*consumablesv1.StockMovement, error) {
	lot, item, need := line.Lot, line.Item, needTime(line.Demands, line.Lot.GetItem(), u.now)
	c := u.rules(ctx, lot, item, need)
	stands(&c, line.Balances)
	others, err := u.others(line.Claims, lot.GetName(), req.GetWorkOrder(), item.GetBaseUnitCode())
	if err != nil {
		return nil, err
	}
	from, err := u.mayIssue(ctx, c, others, item, req, amount, need)
	if err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_ISSUED, lot, amount, item.GetBaseUnitCode())
	m.WorkOrder, m.Reason = req.GetWorkOrder(), req.GetOverrideReason()
	if m.EffectiveTime, err = u.happened("effective_time", req.GetEffectiveTime()); err != nil {
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
	if err := u.handOut(ctx, m, lot, item, opening, from, need); err != nil || !met {
		return m, err
	}
	return m, u.publish(ctx, "coldsection.stock.demand.met.v1", req.GetWorkOrder(), &consumablesv1.DemandsMet{
		WorkOrder: req.GetWorkOrder(), Lines: demandLines(line.Demands, nil),
	})
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
	if err := u.usable(ctx, pack, item, need); err != nil {
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
	ctx context.Context, c stock.Candidate, claimed stock.Micro, item *consumablesv1.Item, req *consumablesv1.IssueStockRequest, amount stock.Micro, at time.Time,
) (string, error) {
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
	if err := u.firstToExpire(ctx, c, item, req, amount, at); err != nil {
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
	ctx context.Context, c stock.Candidate, item *consumablesv1.Item, req *consumablesv1.IssueStockRequest, amount stock.Micro, at time.Time,
) error {
	if req.GetOverrideReason() != "" {
		return nil
	}
	end := int64(math.MaxInt64)
	if !c.Expire.IsZero() {
		end = storage.Micros(c.Expire)
	}
	picks, _, _, err := u.chooseBefore(ctx, item, req.GetWorkOrder(), amount, at, end)
	if err != nil || len(picks) == 0 || picks[0].Lot == c.Lot || picks[0].Expire.Equal(c.Expire) {
		return err
	}
	return fault.Precondition("LOT_NOT_FIRST_TO_EXPIRE", "Lot %s is to be taken first: %s Take it, or give a reason for another one.", picks[0].Lot, picks[0].Why).
		With("suggested_lot", picks[0].Lot)
}

// settle books an issue against the order's demand and claims. It returns what the order still claims of the lot, which the
// caller saves with the lot, and whether the issue was the one that met the last of the demands.
func (u unit) settle(ctx context.Context, line store.Line, amount stock.Micro) (own stock.Micro, met bool, err error) {
	before, after := true, true
	for i, d := range line.Demands {
		before = before && d.Issued >= d.Needed
		if d.Item == line.Lot.GetItem() {
			var freed stock.Micro
			if freed, own, err = u.fill(ctx, d, line, amount); err != nil {
				return 0, false, err
			}
			d.Issued += amount
			d.Reserved -= freed
			if err := store.ChangeDemand(ctx, u.Tx, d); err != nil {
				return 0, false, err
			}
			line.Demands[i] = d
		}
		after = after && d.Issued >= d.Needed
	}
	return own, after && !before, nil
}

// fill takes an issue off the order's claims, those on the same lot first. It returns how much claim it used up, and what the
// order still claims of the lot.
func (u unit) fill(ctx context.Context, d store.Demand, line store.Line, amount stock.Micro) (used, own stock.Micro, err error) {
	lot := line.Lot.GetName()
	for _, c := range ownClaims(line.Claims, d, lot) {
		held, err := stock.FromQuantity(c.GetQuantity().GetValue(), c.GetQuantity().GetUnitCode(), d.Unit)
		if err != nil {
			return 0, 0, err
		}
		take := min(held, amount-used)
		used += take
		if c.GetLot() == lot && !c.GetExpireTime().AsTime().Before(u.now) {
			own += held - take
		}
		if err := u.takeOff(ctx, c, held, take, d.Unit, lot); err != nil {
			return 0, 0, err
		}
	}
	return used, own, nil
}

// ownClaims are those of an order on an item, those on a lot first, else in the order in which they come.
func ownClaims(claims []*consumablesv1.Reservation, d store.Demand, lot string) []*consumablesv1.Reservation {
	var first, rest []*consumablesv1.Reservation
	for _, c := range claims {
		switch {
		case c.GetWorkOrder() != d.WorkOrder || c.GetItem() != d.Item:
		case c.GetLot() == lot:
			first = append(first, c)
		default:
			rest = append(rest, c)
		}
	}
	return append(first, rest...)
}

// takeOff takes so much off a claim that holds so much, and refreshes its lot unless that is the one which the caller saves.
func (u unit) takeOff(ctx context.Context, c *consumablesv1.Reservation, held, take stock.Micro, unitCode, saved string) error {
	if take == 0 {
		return nil
	}
	if c.State = consumablesv1.Reservation_FILLED; take < held {
		c.State, c.Quantity = consumablesv1.Reservation_CLAIMED, store.Quantity(held-take, unitCode)
	}
	if c.GetLot() == saved {
		return store.Reservations.SaveLater(ctx, u.Tx, c, u.now)
	}
	return u.saveClaim(ctx, c)
}

// saveClaim writes a claim and what its lot then has claimed.
func (u unit) saveClaim(ctx context.Context, c *consumablesv1.Reservation) error {
	if err := store.Reservations.Save(ctx, u.Tx, c, u.now); err != nil {
		return err
	}
	return u.refreshClaims(ctx, c.GetLot())
}

func (u unit) refreshClaims(ctx context.Context, name string) error {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return err
	}
	item, err := u.itemOf(ctx, lot)
	if err != nil {
		return err
	}
	claimed, err := u.claimedByOthers(ctx, name, "", item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	lot.Reserved = store.Quantity(claimed, item.GetBaseUnitCode())
	return store.Lots.Save(ctx, u.Tx, lot, u.now)
}

func demandLines(demands []store.Demand, lots map[string][]string) []*consumablesv1.DemandLine {
	var lines []*consumablesv1.DemandLine
	for _, d := range demands {
		lines = append(lines, &consumablesv1.DemandLine{
			Item: d.Item, Needed: store.Quantity(d.Needed, d.Unit), Reserved: store.Quantity(d.Reserved, d.Unit),
			Shortfall: store.Quantity(d.Missing(), d.Unit), Lots: lots[d.Item],
		})
	}
	return lines
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
			return err
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
		lot, err := u.findLot(ctx, req.GetCode())
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
