package app

import (
	"context"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// TraceLot follows a lot forwards to engines, or backwards to receipts, through every mix.
func (a *App) TraceLot(ctx context.Context, req *consumablesv1.TraceLotRequest) (*consumablesv1.TraceLotResponse, error) {
	t := &tracer{resp: &consumablesv1.TraceLotResponse{}, seen: map[string]bool{}}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		*t = tracer{unit: a.unit(ctx, tx), resp: &consumablesv1.TraceLotResponse{}, seen: map[string]bool{}}
		if err := t.visit(ctx, req.GetName(), 0); err != nil {
			return err
		}
		if req.GetDirection() != consumablesv1.TraceLotRequest_BACKWARD {
			if err := t.follow(ctx, req.GetName(), 1, true); err != nil {
				return err
			}
		}
		if req.GetDirection() != consumablesv1.TraceLotRequest_FORWARD {
			return t.follow(ctx, req.GetName(), -1, false)
		}
		return nil
	})
	return t.resp, err
}

type tracer struct {
	unit

	resp *consumablesv1.TraceLotResponse
	seen map[string]bool
}

func (t *tracer) follow(ctx context.Context, lot string, depth int32, forward bool) error {
	edges, err := store.Edges(ctx, t.Tx, lot, forward)
	if err != nil {
		return err
	}
	for _, e := range edges {
		item, err := t.baseUnit(ctx, e.Target)
		if err != nil {
			return err
		}
		t.resp.Edges = append(t.resp.Edges, &consumablesv1.TraceEdge{SourceLot: e.Origin, TargetLot: e.Target, Quantity: store.Quantity(e.Amount, item), Movement: e.Movement})
		next, step := e.Target, int32(1)
		if !forward {
			next, step = e.Origin, -1
		}
		if t.seen[next] {
			continue
		}
		if err := t.visit(ctx, next, depth); err != nil {
			return err
		}
		if err := t.follow(ctx, next, depth+step, forward); err != nil {
			return err
		}
	}
	return nil
}

func (t *tracer) baseUnit(ctx context.Context, lot string) (string, error) {
	l, err := store.Lots.Get(ctx, t.Tx, lot)
	if err != nil {
		return "", err
	}
	item, err := t.itemOf(ctx, l)
	return item.GetBaseUnitCode(), err
}

// visit adds a lot with its uses, receipts and balance.
func (t *tracer) visit(ctx context.Context, name string, depth int32) error {
	t.seen[name] = true
	lot, err := store.Lots.Get(ctx, t.Tx, name)
	if err != nil {
		return err
	}
	item, err := t.itemOf(ctx, lot)
	if err != nil {
		return err
	}
	t.resp.Nodes = append(t.resp.Nodes, &consumablesv1.TraceNode{Lot: name, Item: lot.GetItem(), ManufacturerLot: lot.GetManufacturerLot(), State: lot.GetState(), Depth: depth})
	moves, err := store.Movements.Where(ctx, t.Tx, "lot = $1 AND kind IN ('RECEIVED', 'CONSUMED') ORDER BY create_time", name)
	if err != nil {
		return err
	}
	for _, m := range moves {
		if m.GetKind() == consumablesv1.StockMovement_RECEIVED {
			t.resp.Receipts = append(t.resp.Receipts, m)
			continue
		}
		if m.GetReversalMovement() != "" {
			continue
		}
		t.resp.Uses = append(t.resp.Uses, &consumablesv1.TraceUse{Lot: name, WorkOrder: m.GetWorkOrder(), Engine: m.GetEngine(), Quantity: m.GetQuantity(), UseTime: m.GetEffectiveTime()})
	}
	return t.balance(ctx, lot, item.GetBaseUnitCode())
}

func (t *tracer) balance(ctx context.Context, lot *consumablesv1.Lot, unitCode string) error {
	balances, err := store.Balances(ctx, t.Tx, lot.GetName())
	if err != nil {
		return err
	}
	var used, disposed, mixed, jobs, hand, difference stock.Micro
	for _, b := range balances {
		switch {
		case strings.HasPrefix(b.Location, engines):
			used += b.Amount
		case strings.HasPrefix(b.Location, orders):
			jobs += b.Amount
			t.resp.Uses = append(t.resp.Uses, &consumablesv1.TraceUse{Lot: lot.GetName(), WorkOrder: b.Location, Quantity: store.Quantity(b.Amount, unitCode)})
		case b.Location == store.Waste:
			disposed += b.Amount
		case b.Location == store.Production || b.Location == store.MixingLoss:
			mixed += b.Amount
		case b.Location == store.CountDifference:
			difference += b.Amount
		case store.Physical(b.Location):
			hand += b.Amount
		}
	}
	if len(lot.GetParents()) > 0 { // what was made here came out of production, where what was mixed away went
		received, err := stock.FromCount(lot.GetReceived().GetValue(), unitCode, unitCode)
		if err != nil {
			return err
		}
		mixed += received
	}
	t.resp.BalanceLines = append(t.resp.BalanceLines, &consumablesv1.LotBalanceLine{
		Lot: lot.GetName(), Received: lot.GetReceived(), Used: store.Quantity(used, unitCode), Disposed: store.Quantity(disposed, unitCode),
		Mixed: store.Quantity(mixed, unitCode), IssuedUnused: store.Quantity(jobs, unitCode), OnHand: store.Quantity(hand, unitCode),
		Difference: store.Quantity(difference, unitCode),
	})
	return nil
}
