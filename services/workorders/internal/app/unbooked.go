package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/quantity"
)

// unbooked is how much of a lot the steps of an order used that stores have not booked yet, nil for nothing: it is with the order by the books only. Two
// steps in quick succession could else use the same litre. Reason: STORES_UNREACHABLE.
func (a *App) unbooked(ctx context.Context, o *workordersv1.WorkOrder, lot string) (*commonv1.Quantity, error) {
	sums, err := byLot(o.GetMaterials())
	if err != nil {
		return nil, err
	}
	for _, used := range sums {
		if used.GetLot() != lot {
			continue
		}
		rest, err := quantity.Parse(used.GetQuantity().GetValue(), used.GetQuantity().GetUnitCode())
		if err != nil {
			return nil, err
		}
		booked, err := a.booked(ctx, o.GetName(), lot)
		if err != nil {
			return nil, err
		}
		for _, b := range booked {
			if rest, err = less(rest, b); err != nil {
				return nil, err
			}
		}
		return &commonv1.Quantity{Value: rest.Value().String(), UnitCode: used.GetQuantity().GetUnitCode()}, nil
	}
	return nil, nil //nolint:nilnil // nothing was used
}

// booked are the amounts of a lot that stores booked as used on an order, also those that they undid since: what is undone is with the order again.
func (a *App) booked(ctx context.Context, order, lot string) (out []*commonv1.Quantity, err error) {
	resp, err := consumablesv1.NewConsumablesQueryServiceClient(a.Consumables).ListStockMovements(asService(ctx), &consumablesv1.ListStockMovementsRequest{
		Filter: fmt.Sprintf("work_order = %q AND lot = %q AND kind = CONSUMED", order, lot), PageSize: 1000,
	})
	if err != nil {
		return nil, storesUnreachable(lot, err)
	}
	for _, m := range resp.GetStockMovements() {
		out = append(out, m.GetQuantity())
	}
	return out, nil
}

// less is an amount less another one, and not below nothing; nil takes nothing away. Reason: UNIT_MISMATCH.
func less(from quantity.Quantity, q *commonv1.Quantity) (quantity.Quantity, error) {
	if q == nil {
		return from, nil
	}
	take, err := quantity.Parse(q.GetValue(), q.GetUnitCode())
	if err != nil {
		return from, err
	}
	more, err := from.Cmp(take)
	switch {
	case err != nil:
		return from, err
	case more < 0:
		return from.Sub(from)
	default:
		return from.Sub(take)
	}
}
