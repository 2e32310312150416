package app

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/keeping"
	"coldsection.example/services/workorders/internal/store"
)

// retain says on an order how long its record is kept at least; from is the day of its release or end, nil while it has none.
func (u unit) retain(ctx context.Context, o *workordersv1.WorkOrder, class workordersv1.Retention_Class, from *date.Date) error {
	r, err := u.regimeOf(ctx, o)
	if err != nil {
		return err
	}
	var floors []keeping.Floor
	for _, f := range r.GetRetentionFloors() {
		floors = append(floors, keeping.Floor{Months: int(f.GetMonths()), Source: f.GetSource()})
	}
	floor := keeping.Longest(floors)
	o.Retention = &workordersv1.Retention{Class: class, Months: int32(floor.Months), Source: floor.Source}
	if from != nil {
		day := time.Date(int(from.GetYear()), time.Month(from.GetMonth()), int(from.GetDay()), 0, 0, 0, 0, time.UTC)
		o.Retention.KeepThroughDate = civil(keeping.Through(day, floor.Months))
	}
	return nil
}

// retained says of an attachment how long it is kept: as long as its order.
func (u unit) retained(ctx context.Context, kept *workordersv1.Attachment) error {
	o, err := store.Orders.Get(ctx, u.Tx, orderOf(kept.GetName()))
	kept.Retention = o.GetRetention()
	return err
}

// Retained says of each of a page of attachments how long it is kept and why.
func (a *App) Retained(ctx context.Context, page []*workordersv1.Attachment) error {
	return a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u, orders := a.unit(ctx, tx), map[string]*workordersv1.Retention{}
		for _, kept := range page {
			order := orderOf(kept.GetName())
			if _, known := orders[order]; !known {
				if err := u.retained(ctx, kept); err != nil {
					return err
				}
				orders[order] = kept.GetRetention()
			}
			kept.Retention = orders[order]
		}
		return nil
	})
}
