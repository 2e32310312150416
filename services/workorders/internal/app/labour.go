package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// CreateLabourEntry records time worked.
func (a *App) CreateLabourEntry(ctx context.Context, req *workordersv1.CreateLabourEntryRequest) (*workordersv1.LabourEntry, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.LabourEntry, error) {
		u := a.unit(ctx, tx)
		o, err := store.Orders.Get(ctx, tx, req.GetParent())
		if err != nil {
			return nil, err
		}
		e := req.GetLabourEntry()
		worked := e.GetEndTime().AsTime().Sub(e.GetStartTime().AsTime())
		if worked <= 0 || worked.Hours() > 24 {
			return nil, fault.Invalid("labour_entry.end_time", "LABOUR_TIMES_INVALID", "Time worked ends after it started and lasts at most a day. Correct the times.")
		}
		if e.GetPerson() == "" {
			e.Person = u.caller.Person
		}
		e.Name, e.WorkedSeconds = a.newName(o.GetName()+"/labourEntries", req.GetLabourEntryId()), int64(worked.Seconds())
		if err := store.Labour.Insert(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		return e, u.publish(ctx, "labour.recorded", o.GetName(), &workordersv1.LabourRecorded{WorkOrder: o.GetName(), LabourEntry: e})
	})
}
