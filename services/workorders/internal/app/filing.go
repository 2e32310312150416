package app

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// file is everything that is recorded on an order, at one instant.
type file struct {
	order      *workordersv1.WorkOrder
	plan       *workordersv1.WashPlan // nil for an order without one
	steps      []*workordersv1.Step
	readings   []*workordersv1.Measurement
	runs       []*workordersv1.MotoringRun
	findings   []*workordersv1.Finding
	labour     []*workordersv1.LabourEntry
	attached   []*workordersv1.Attachment
	signatures []signed
	history    []*workordersv1.HistoryEntry
	zone       *time.Location
	place      *workordersv1.Station
}

// file reads an order with all that belongs to it.
func (a *App) file(ctx context.Context, name string) (f file, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		f, err = a.unit(ctx, tx).file(ctx, name)
		return err
	})
	return f, err
}

// signed is a signature with what checking it found.
type signed struct {
	*commonv1.Signature

	valid bool
	why   string
}

// file reads what is recorded.
func (u unit) file(ctx context.Context, name string) (f file, err error) {
	if f.order, err = store.Orders.Get(ctx, u.Tx, name); err != nil {
		return f, err
	}
	if f.zone, err = u.zoneOf(ctx, f.order); err != nil {
		return f, err
	}
	if f.plan, err = store.Plans.Get(ctx, u.Tx, name+"/washPlan"); fault.HasReason(err, "NOT_FOUND") {
		f.plan, err = nil, nil
	}
	if err != nil {
		return f, err
	}
	if f.steps, err = u.stepsOf(ctx, f.order); err != nil {
		return f, err
	}
	err = u.fileRest(ctx, &f)
	return f, err
}

// fileRest reads what hangs on the steps, and the signatures with their checks.
func (u unit) fileRest(ctx context.Context, f *file) (err error) {
	name := f.order.GetName()
	if f.readings, err = under(ctx, u, store.Measured, name+"/measurements", "create_time, name"); err != nil {
		return err
	}
	if f.runs, err = under(ctx, u, store.Runs, name+"/motoringRuns", "start_time, name"); err != nil {
		return err
	}
	if f.findings, err = under(ctx, u, store.Findings, name+"/findings", "raise_time, name"); err != nil {
		return err
	}
	if f.labour, err = under(ctx, u, store.Labour, name+"/labourEntries", "start_time, name"); err != nil {
		return err
	}
	if f.attached, err = under(ctx, u, store.Attached, name+"/attachments", "name"); err != nil {
		return err
	}
	if f.order.GetStation() != "" {
		if f.place, err = store.Stations.Get(ctx, u.Tx, f.order.GetStation()); err != nil {
			return err
		}
	}
	all, err := under(ctx, u, store.Signatures, name+"/signatures", "name")
	if err != nil {
		return err
	}
	slices.SortStableFunc(all, func(a, b *commonv1.Signature) int { return a.GetSignTime().AsTime().Compare(b.GetSignTime().AsTime()) })
	for _, s := range all {
		check, err := u.verify(ctx, s)
		if err != nil {
			return err
		}
		f.signatures = append(f.signatures, signed{Signature: s, valid: check.GetValid(), why: check.GetExplanation()})
	}
	f.history, err = u.history(ctx, name)
	return err
}

// under reads what a table holds under a parent.
func under[T proto.Message](ctx context.Context, u unit, table *resource.Table[T], parent, order string) ([]T, error) {
	condition, args := store.Under(parent)
	return table.Where(ctx, u.Tx, condition+" ORDER BY "+order, args...)
}
