package app

import (
	"context"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// longestShift bounds one entry of time worked.
const longestShift = 24 * time.Hour

// longBefore is how long before its order was drafted time may have been worked on it: an order may be written after the work, and not a year later, which is
// a date that was typed wrongly. Our own bound, no source.
const longBefore = 31 * 24 * time.Hour

// CreateLabourEntry records time worked, to the second.
func (a *App) CreateLabourEntry(ctx context.Context, req *workordersv1.CreateLabourEntryRequest) (*workordersv1.LabourEntry, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.LabourEntry, error) {
		u := a.unit(ctx, tx)
		o, err := store.Orders.Lock(ctx, tx, req.GetParent())
		if err != nil {
			return nil, err
		}
		if o.GetState() == workordersv1.WorkOrder_VOIDED {
			return nil, standing(o, "STATE_NOT_ALLOWED", "%s is VOIDED. Record the time on another order.", o.GetName())
		}
		e := req.GetLabourEntry()
		resource.ClearOutputOnly(e)
		if err := u.mayLog(ctx, o, e); err != nil {
			return nil, err
		}
		e.Name = a.newName(o.GetName()+"/labourEntries", req.GetLabourEntryId())
		if err := store.Labour.Insert(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		return e, u.publish(ctx, "labour.recorded", o.GetName(), &workordersv1.LabourRecorded{
			WorkOrder: o.GetName(), LabourEntry: e, ChangedSeconds: e.GetWorkedSeconds(),
		})
	})
}

// mayLog checks an entry of one's own and fills in its person and length. Reasons: PERSON_NEEDED, LABOUR_OF_ANOTHER, and those of fits.
func (u unit) mayLog(ctx context.Context, o *workordersv1.WorkOrder, e *workordersv1.LabourEntry) error {
	me, err := u.me()
	if err != nil {
		return err
	}
	if e.GetPerson() != "" && e.GetPerson() != me {
		return ofAnother(me, e.GetPerson())
	}
	e.Person = me
	return u.fits(ctx, o, e)
}

// fits checks the times and the step of time that somebody worked, and fills in its length. Reasons: LABOUR_TIMES_INVALID, STEP_UNKNOWN, LABOUR_OVERLAPS.
func (u unit) fits(ctx context.Context, o *workordersv1.WorkOrder, e *workordersv1.LabourEntry) error {
	start, end := e.GetStartTime().AsTime(), e.GetEndTime().AsTime()
	if worked := end.Sub(start); worked < time.Second || worked > longestShift || end.After(u.now.Add(leeway)) {
		return fault.Invalid("labour_entry.end_time", "LABOUR_TIMES_INVALID", "Time worked ends after it started, not in the future, and lasts at most a day. Correct the times.")
	}
	if first := o.GetCreateTime().AsTime().Add(-longBefore); start.Before(first) {
		return fault.Invalid("labour_entry.start_time", "LABOUR_TIMES_INVALID", "%s is more than %d days before %s was drafted, which is no day of its work. Correct the date.",
			start.Format(time.RFC3339), int(longBefore/(24*time.Hour)), o.GetNumber())
	}
	if err := u.stepOf(ctx, o, "labour_entry.step", e.GetStep()); err != nil {
		return err
	}
	e.WorkedSeconds = int64(end.Sub(start) / time.Second)
	return u.notTwice(ctx, e)
}

// notTwice refuses minutes that somebody worked already, on whichever order.
func (u unit) notTwice(ctx context.Context, e *workordersv1.LabourEntry) error {
	if err := u.Alone(ctx, "labour of "+e.GetPerson()); err != nil {
		return err
	}
	start, end := e.GetStartTime().AsTime(), e.GetEndTime().AsTime()
	near, err := store.Labour.Where(ctx, u.Tx, "person = $1 AND start_time > $2 AND start_time < $3 AND successor = ''",
		e.GetPerson(), storage.Micros(start.Add(-longestShift)), storage.Micros(end))
	for _, other := range near {
		if !other.GetWithdrawn() && other.GetEndTime().AsTime().After(start) {
			return fault.Precondition("LABOUR_OVERLAPS", "%s worked on %s from %s to %s already. Correct the times.", e.GetPerson(), orderOf(other.GetName()),
				other.GetStartTime().AsTime().Format(time.RFC3339), other.GetEndTime().AsTime().Format(time.RFC3339)).With("entry", other.GetName())
		}
	}
	return err
}
