package app

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// StartWorkOrder freezes the plan and takes the counters.
func (a *App) StartWorkOrder(ctx context.Context, req *workordersv1.StartWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	current, err := store.Orders.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	engine, err := a.engineOf(ctx, current.GetEngine())
	if err != nil {
		return nil, err
	}
	if err := a.mayPerform(ctx, current, req.GetStartTime()); err != nil {
		return nil, err
	}
	otherErr := a.sameEngine(ctx, current, engine, req.GetSerialRead())
	if otherErr == nil {
		otherErr = a.stillWarm(ctx, current, req)
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		o, err := u.lock(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := stays(o, engine); err != nil {
			return nil, err
		}
		if otherErr != nil && o.GetState() == workordersv1.WorkOrder_KITTED {
			return nil, otherErr
		}
		if err := u.begin(ctx, o, req, engine); err != nil {
			return nil, err
		}
		if err := u.freeze(ctx, o); err != nil {
			return nil, err
		}
		return o, u.advance(ctx, o, "start", nil)
	})
}

// freeze keeps the plan of a wash as it is from now on.
func (u unit) freeze(ctx context.Context, o *workordersv1.WorkOrder) error {
	if !isWash(o.GetKind()) {
		return nil
	}
	p, err := store.Plans.Lock(ctx, u.Tx, o.GetName()+"/washPlan")
	if err != nil {
		return err
	}
	p.Frozen = true
	return store.Plans.Save(ctx, u.Tx, p, u.now)
}

// begin writes when an order was started, now or, on a day without network, when the sheet says, and at which counters. Reasons:
// TIME_OUT_OF_ORDER, COUNTERS_MISSING, COUNTERS_IMPLAUSIBLE.
func (u unit) begin(ctx context.Context, o *workordersv1.WorkOrder, req *workordersv1.StartWorkOrderRequest, engine *compliancev1.Engine) error {
	if o.GetState() != workordersv1.WorkOrder_KITTED {
		return nil // the table of states answers
	}
	o.StartTime, o.StartCounters, o.SerialRead = timestamppb.New(u.now), req.GetCounters(), strings.TrimSpace(req.GetSerialRead())
	if at := req.GetStartTime(); at != nil {
		if at.AsTime().After(u.now) || at.AsTime().Before(o.GetKitTime().AsTime()) {
			return fault.Invalid("start_time", "TIME_OUT_OF_ORDER", "%s is in the future, or before %s had its kit. Give the time when it was started.",
				at.AsTime().Format(time.RFC3339), o.GetNumber())
		}
		o.StartTime, o.StartEntryTime = at, timestamppb.New(u.now)
	}
	return u.countersAtStart(ctx, o, engine)
}

// countersAtStart completes the counters that were read by those of the record, and refuses what can't be right on the day of the start, and hours
// that nobody knows.
func (u unit) countersAtStart(ctx context.Context, o *workordersv1.WorkOrder, engine *compliancev1.Engine) error {
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	hours, _, _ := knownOf(engine.GetCounters()).Has()
	if o.StartCounters = countersOr(o.GetStartCounters(), engine); o.GetStartCounters().GetOperatingSeconds() == 0 && !hours {
		return fault.Invalid("counters", "COUNTERS_MISSING", "Neither the record of %s nor the start says its hours, and what is not said is not 0. "+
			"Read hours, cycles and starts, and give them; have a planner enter 0 in compliance where it never ran.", o.GetEngine()).With("engine", o.GetEngine())
	}
	day := civil(o.GetStartTime().AsTime().In(zone))
	return plausible("counters", o.GetEngine(), meteringOf(o.GetStartCounters()), engine.GetCounters(), engine.GetCountersDate(), day)
}

func countersOf(e *compliancev1.Engine) *workordersv1.Counters {
	c := e.GetCounters()
	return &workordersv1.Counters{OperatingSeconds: c.GetOperatingSeconds(), Cycles: c.GetCycles(), Starts: c.GetStarts()}
}

// mayPerform asks the gates for the caller to do the order's work on the day of an instant, or today.
func (a *App) mayPerform(ctx context.Context, o *workordersv1.WorkOrder, at *timestamppb.Timestamp) error {
	day, err := a.dayOf(ctx, o, at)
	if err != nil {
		return err
	}
	id, _ := auth.FromContext(ctx)
	_, err = a.gate(ctx, id.Person, o.GetEngine(), day, []string{"perform"}, nil)
	return err
}
