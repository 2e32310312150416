package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// claimGrace is how long after its need time a claim lapses by itself.
const claimGrace = 7 * 24 * time.Hour

// Line is what an order needs of an item.
type Line struct{ Item, Value, Unit string }

// Demand takes an order's needs in, or changes them, and claims lots that will still be usable at the need time.
func (a *App) Demand(ctx context.Context, tx *storage.Tx, job store.Job, at time.Time, lines []Line) error {
	u, order, work := a.unit(ctx, tx), job.WorkOrder, job.Work
	if err := store.SaveJob(ctx, tx, job); err != nil {
		return err
	}
	old, err := store.DemandsOf(ctx, tx, order)
	if err != nil {
		return err
	}
	if err := u.freeClaims(ctx, order); err != nil {
		return err
	}
	answer := outcome{lots: map[string][]string{}}
	for _, line := range lines {
		d, item, need, err := u.wanted(ctx, order, at, line)
		if err != nil {
			return err
		}
		d.Needed, d.Issued, d.Work = need, demandOf(old, line.Item).Issued, work
		d, picked, err := u.claim(ctx, d, item, max(0, need-d.Issued))
		if err != nil {
			return err
		}
		if err := u.answer(ctx, &answer, item, d, picked); err != nil {
			return err
		}
	}
	if err := u.dropped(ctx, old, lines, work); err != nil {
		return err
	}
	if err := u.tell(ctx, order, answer); err != nil || !answer.met() {
		return err
	}
	return u.demandsMet(ctx, order, answer.demands) // a new plan wants no more than was handed out for the one before
}

// outcome is what an order is told of its demands.
type outcome struct {
	demands []store.Demand
	lots    map[string][]string // that are claimed, by item
	short   bool
	reasons []string
}

// answer adds what became of a demand.
func (u unit) answer(ctx context.Context, a *outcome, item *consumablesv1.Item, d store.Demand, picked []string) error {
	a.demands, a.lots[d.Item] = append(a.demands, d), picked
	if d.Missing() == 0 {
		return nil
	}
	why, err := u.whyShort(ctx, item, d)
	a.short, a.reasons = true, append(a.reasons, why...)
	return err
}

// met reports whether there are demands and all of them were issued.
func (a outcome) met() bool {
	return len(a.demands) > 0 && !slices.ContainsFunc(a.demands, func(d store.Demand) bool { return d.Issued < d.Needed })
}

func (u unit) tell(ctx context.Context, order string, a outcome) error {
	typ := "coldsection.stock.reserved.v1"
	if a.short {
		typ = "coldsection.stock.ran_low.v1"
	}
	return u.publish(ctx, typ, order, &consumablesv1.DemandsAnswered{WorkOrder: order, Lines: demandLines(a.demands, a.lots), Complete: !a.short, Reasons: a.reasons})
}

func (u unit) demandsMet(ctx context.Context, order string, demands []store.Demand) error {
	return u.publish(ctx, "coldsection.stock.demand.met.v1", order, &consumablesv1.DemandsMet{WorkOrder: order, Lines: demandLines(demands, nil)})
}

// dropped takes back what an order wanted before and its new plan leaves out, such as the antifreeze of a colder day: nobody would ever issue
// it, and the order would never have all that it needs. What was issued of it stays with the job until it comes back.
func (u unit) dropped(ctx context.Context, old []store.Demand, lines []Line, work store.Work) error {
	for _, d := range old {
		if slices.ContainsFunc(lines, func(l Line) bool { return l.Item == d.Item }) {
			continue
		}
		d.Needed, d.Reserved, d.Work = 0, 0, work
		if err := store.SaveDemand(ctx, u.Tx, d); err != nil {
			return err
		}
	}
	return nil
}

// whyShort says what is missing of an item, and why each lot of it was passed over.
func (u unit) whyShort(ctx context.Context, item *consumablesv1.Item, d store.Demand) ([]string, error) {
	why := []string{fmt.Sprintf("%s: %s %s are needed and %s of them can't be promised.", d.Item, d.Needed.Text(), d.Unit, d.Missing().Text())}
	_, skips, _, err := u.choose(ctx, item, d.WorkOrder, d.Missing(), d.Need)
	for _, s := range skips {
		why = append(why, s.Reason+": "+s.Why)
	}
	return why, err
}

// demandOf is the demand for an item; an empty one when there is none.
func demandOf(demands []store.Demand, item string) store.Demand {
	for _, d := range demands {
		if d.Item == item {
			return d
		}
	}
	return store.Demand{}
}

// wanted reads a line of an order: a demand without amounts yet, its item, and how much.
func (u unit) wanted(ctx context.Context, order string, at time.Time, line Line) (store.Demand, *consumablesv1.Item, stock.Micro, error) {
	item, err := store.Items.Get(ctx, u.Tx, line.Item)
	if err != nil {
		return store.Demand{}, nil, 0, err
	}
	need, err := stock.FromQuantity(line.Value, line.Unit, item.GetBaseUnitCode())
	return store.Demand{WorkOrder: order, Item: item.GetName(), Unit: item.GetBaseUnitCode(), Need: at}, item, need, err
}

// claim claims so much of what nobody has claimed for a demand, as far as there is any, and saves the demand.
func (u unit) claim(ctx context.Context, d store.Demand, item *consumablesv1.Item, amount stock.Micro) (store.Demand, []string, error) {
	order, at := d.WorkOrder, d.Need
	picks, err := u.free(ctx, item, amount, u.needed(at))
	if err != nil {
		return d, nil, err
	}
	var lots []string
	for _, p := range picks {
		c := &consumablesv1.Reservation{
			Name: u.app.newName("reservations", ""), WorkOrder: order, Item: d.Item, Lot: p.Lot, Quantity: store.Quantity(p.Amount, d.Unit),
			NeedTime: timestamppb.New(at), ExpireTime: timestamppb.New(at.Add(claimGrace)), State: consumablesv1.Reservation_CLAIMED,
		}
		if err := store.Reservations.Insert(ctx, u.Tx, c, u.now); err != nil {
			return d, nil, err
		}
		if err := u.refreshClaims(ctx, p.Lot); err != nil {
			return d, nil, err
		}
		d.Reserved += p.Amount
		lots = append(lots, p.Lot)
	}
	return d, lots, store.SaveDemand(ctx, u.Tx, d)
}

// free chooses among what nobody has claimed of an item, so that it stays so until the commit: no other claims on the item are made meanwhile, and
// nobody takes anything of the lots that were chosen.
func (u unit) free(ctx context.Context, item *consumablesv1.Item, amount stock.Micro, at time.Time) ([]stock.Pick, error) {
	if err := u.Alone(ctx, "claims on "+item.GetName()); err != nil {
		return nil, err
	}
	locked := map[string]bool{}
	for {
		picks, _, _, err := u.choose(ctx, item, "", amount, at)
		if err != nil {
			return nil, err
		}
		before := len(locked)
		for _, p := range picks {
			if locked[p.Lot] {
				continue
			}
			if _, err := store.Lots.Lock(ctx, u.Tx, p.Lot); err != nil {
				return nil, err
			}
			locked[p.Lot] = true
		}
		if len(locked) == before {
			return picks, nil // chosen again while all of it was locked
		}
	}
}

// needed is when something that was wanted at a time is needed: then, or now when that is past.
func (u unit) needed(at time.Time) time.Time {
	if at.Before(u.now) {
		return u.now
	}
	return at
}

func (u unit) freeClaims(ctx context.Context, order string) error {
	claims, err := store.Reservations.Where(ctx, u.Tx, "work_order = $1 AND state = 'CLAIMED' ORDER BY name", order)
	if err != nil {
		return err
	}
	for _, c := range claims {
		c.State = consumablesv1.Reservation_FREED
		if err := u.saveClaim(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// Close ends an order's demands and frees its claims; what was issued and not used stays with the job until it is returned.
func (a *App) Close(ctx context.Context, tx *storage.Tx, order string) error {
	u := a.unit(ctx, tx)
	if err := store.EndJob(ctx, tx, order); err != nil {
		return err
	}
	if err := u.freeClaims(ctx, order); err != nil {
		return err
	}
	demands, err := store.DemandsOf(ctx, tx, order)
	if err != nil {
		return err
	}
	for _, d := range demands {
		d.Closed, d.Reserved = true, 0
		if err := store.SaveDemand(ctx, tx, d); err != nil {
			return err
		}
	}
	return nil
}

func (u unit) consume(
	ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, order, engine string, at time.Time,
) (*consumablesv1.StockMovement, error) {
	lot, err := u.atJob(ctx, lot, item, amount, order, at)
	if err != nil {
		return nil, err
	}
	m := u.movement(consumablesv1.StockMovement_CONSUMED, lot, amount, item.GetBaseUnitCode())
	m.WorkOrder, m.Engine, m.EffectiveTime = order, engine, timestamppb.New(at)
	if err := u.post(ctx, m, item, transfer(lot.GetName(), order, engine, amount)); err != nil {
		return nil, err
	}
	return m, u.reachedLate(ctx, lot, m)
}

// ConsumeStock is Use by hand; the lot must be usable at that time.
func (a *App) ConsumeStock(ctx context.Context, req *consumablesv1.ConsumeStockRequest) (*consumablesv1.StockMovement, error) {
	if err := isOrder(req.GetWorkOrder()); err != nil {
		return nil, err
	}
	if !strings.HasPrefix(req.GetEngine(), engines) {
		return nil, fault.Invalid("engine", "ENGINE_UNKNOWN", "%.80q is not an engine. Give its name, engines/ and its id.", req.GetEngine())
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.StockMovement, error) {
		u := a.unit(ctx, tx)
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := u.onEngine(ctx, req.GetWorkOrder(), req.GetEngine()); err != nil {
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
		if lot, err = u.atJob(ctx, lot, item, amount, req.GetWorkOrder(), at.AsTime()); err != nil {
			return nil, err
		}
		if err := u.usableThen(ctx, lot, item, at.AsTime()); err != nil {
			return nil, err
		}
		if err := u.hadThen(ctx, lot, item, amount, req.GetWorkOrder(), at.AsTime()); err != nil {
			return nil, err
		}
		return u.consume(ctx, lot, item, amount, req.GetWorkOrder(), req.GetEngine(), at.AsTime())
	})
}
