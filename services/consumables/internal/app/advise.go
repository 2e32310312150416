package app

import (
	"cmp"
	"context"
	"strconv"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/reorder"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// historyDays is how many past days of use advice on ordering looks at.
const historyDays = 180

// AdviseReorder says whether to order an item and how much, with every step.
func (a *App) AdviseReorder(ctx context.Context, req *consumablesv1.AdviseReorderRequest) (*consumablesv1.AdviseReorderResponse, error) {
	var resp *consumablesv1.AdviseReorderResponse
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		item, err := store.Items.Get(ctx, tx, req.GetItem())
		if err != nil {
			return err
		}
		advice, err := u.advise(ctx, item, req.GetOrderedValue())
		resp = adviceOf(item, advice)
		return err
	})
	return resp, err
}

// advise computes whether to order an item of which so much is on order. Reasons: REORDER_POLICY_MISSING, and those of amounts.
func (u unit) advise(ctx context.Context, item *consumablesv1.Item, ordered string) (reorder.Advice, error) {
	policy, err := policyOf(item)
	if err != nil {
		return reorder.Advice{}, err
	}
	shelf, err := u.shelf(ctx, item, policy.Lead, ordered)
	if err != nil {
		return reorder.Advice{}, err
	}
	series, err := store.DailyUse(ctx, u.Tx, item.GetName(), u.now, historyDays)
	if err != nil {
		return reorder.Advice{}, err
	}
	return reorder.Advise(policy, shelf, series)
}

func policyOf(item *consumablesv1.Item) (reorder.Policy, error) {
	given := item.GetReorderPolicy()
	if given == nil && item.GetReorderPoint() == nil {
		return reorder.Policy{}, fault.Precondition("REORDER_POLICY_MISSING",
			"%s has no reorder policy. Enter one on the item: minimum and maximum, or lead time and days of cover.", item.GetName())
	}
	p := reorder.Policy{
		CoverDays: float64(given.GetCoverDays()), Lead: given.GetLeadDays(), LeadSD: given.GetLeadDeviationDays(), Service: given.GetServiceLevel(),
		LifeDays: float64(item.GetShelfLifeDays()),
	}
	if months := float64(item.GetShelfLifeMonths()) * 30; p.LifeDays == 0 || months > 0 && months < p.LifeDays {
		p.LifeDays = months // of one in days and one in months the earlier binds
	}
	lowest, named := given.GetMinQuantity(), "reorder_policy.min_quantity"
	if lowest == nil {
		lowest, named = item.GetReorderPoint(), "reorder_point"
	}
	for _, f := range []struct {
		into  *float64
		from  *commonv1.Quantity
		named string
	}{{&p.Min, lowest, named}, {&p.Max, given.GetMaxQuantity(), "reorder_policy.max_quantity"}} {
		if f.from == nil {
			continue
		}
		m, err := amountAt("item."+f.named, f.from, item)
		if err != nil {
			return p, err
		}
		*f.into = units(m)
	}
	if p.Max > 0 && p.Max < p.Min {
		return p, fault.Invalid("item.reorder_policy", "REORDER_LIMITS_REVERSED", "The maximum of %s is below its minimum. Correct one of them.", nameOr(item))
	}
	if p.Min == 0 && p.Lead == 0 {
		return p, fault.Precondition("REORDER_POLICY_MISSING",
			"The reorder policy of %s has neither a minimum nor a lead time, so that nobody can say when to order. Enter one of them on the item.", nameOr(item))
	}
	if len(item.GetPackSizes()) > 0 {
		m, err := amountOf(item.GetPackSizes()[0].GetQuantity(), item)
		if err != nil {
			return p, err
		}
		p.Pack = units(m)
	}
	return p, nil
}

// nameOr is the name of an item, or what it is called while it has none.
func nameOr(item *consumablesv1.Item) string { return cmp.Or(item.GetName(), item.GetDisplayName()) }

// units is an amount in whole base units; advice is no posting, so that the nearest binary number will do.
func units(m stock.Micro) float64 { return float64(m) / stock.Scale }

// shelf is what there is of an item now, and how much of it ends before an order could come.
func (u unit) shelf(ctx context.Context, item *consumablesv1.Item, leadDays float64, ordered string) (reorder.Shelf, error) {
	var s reorder.Shelf
	if ordered != "" {
		m, err := stock.FromCount(ordered, item.GetBaseUnitCode(), item.GetBaseUnitCode())
		if err != nil {
			return s, placed("ordered_", err)
		}
		s.Ordered = units(m)
	}
	lots, err := store.Lots.Where(ctx, u.Tx, "item = $1 AND state = 'USABLE' ORDER BY name", item.GetName())
	if err != nil {
		return s, err
	}
	claims, err := store.Reservations.Where(ctx, u.Tx, "item = $1 AND state = 'CLAIMED'", item.GetName())
	if err != nil {
		return s, err
	}
	claimed, err := u.claimed(claims, item.GetBaseUnitCode())
	if err != nil {
		return s, err
	}
	arrival := u.now.Add(time.Duration(leadDays * 24 * float64(time.Hour)))
	for _, lot := range lots {
		c, err := u.candidate(ctx, lot, item, u.now)
		if err != nil {
			return s, err
		}
		if reason, _ := stock.Refuse(c, u.now); reason != "" {
			continue
		}
		s.Usable += units(c.Available)
		if !c.Expire.IsZero() && c.Expire.Before(arrival) {
			s.Ending += units(max(0, c.Available-claimed[lot.GetName()])) // what is promised is taken off as such
		}
	}
	promised, missing, err := store.OpenDemand(ctx, u.Tx, item.GetName())
	s.Promised, s.Missing = units(promised), units(missing)
	return s, err
}

func adviceOf(item *consumablesv1.Item, a reorder.Advice) *consumablesv1.AdviseReorderResponse {
	quantity := func(v float64) *commonv1.Quantity {
		return &commonv1.Quantity{Value: strconv.FormatFloat(v, 'f', 3, 64), UnitCode: item.GetBaseUnitCode()}
	}
	resp := &consumablesv1.AdviseReorderResponse{
		Item: item.GetName(), OrderNow: a.Now, Quantity: quantity(a.Quantity), Position: quantity(a.Position), ReorderPoint: quantity(a.Point), Explanation: a.Explanation,
	}
	for _, s := range a.Steps {
		resp.Steps = append(resp.Steps, &consumablesv1.AdviceStep{Name: s.Name, Value: s.Value, Formula: s.Formula, Source: s.Source})
	}
	return resp
}
