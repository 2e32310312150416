package app

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/store"
)

// duty asks for the duty list that an order's plan uses, before the transaction.
func (a *App) duty(ctx context.Context, order string) ([]motoring.Duty, string, error) {
	o, err := store.Orders.Read(ctx, a.DB, order)
	if err != nil {
		return nil, "", err
	}
	p, err := store.Plans.Read(ctx, a.DB, order+"/washPlan")
	if err != nil {
		return nil, "", err
	}
	engine, err := a.engineOf(ctx, o.GetEngine())
	if err != nil {
		return nil, "", err
	}
	model, err := a.modelOf(ctx, engine.GetEngineModel())
	if err != nil {
		return nil, "", err
	}
	return dutyOf(model, p.GetStarterProfile()), p.GetStarterProfile(), nil
}

// series is how far back the runs of an engine's starter are looked at.
const series = 24 * time.Hour

// runsOf are the runs of an engine's starter since an instant, in whichever order they were recorded.
func (u unit) runsOf(ctx context.Context, engine string, since time.Time) ([]motoring.Run, error) {
	orders, err := store.Orders.Where(ctx, u.Tx, "engine = $1", engine)
	if err != nil {
		return nil, err
	}
	stored, err := store.Runs.Where(ctx, u.Tx, "start_time >= $1 ORDER BY start_time", storage.Micros(since))
	var runs []motoring.Run
	for _, r := range stored {
		if slices.ContainsFunc(orders, func(o *workordersv1.WorkOrder) bool { return o.GetName() == orderOf(r.GetName()) }) {
			runs = append(runs, motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()})
		}
	}
	return runs, err
}

// CreateMotoringRun records a run of the starter; one that broke the limits is an exceedance, never a silent entry.
func (a *App) CreateMotoringRun(ctx context.Context, req *workordersv1.CreateMotoringRunRequest) (*workordersv1.MotoringRun, error) {
	duty, _, err := a.duty(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.MotoringRun, error) {
		return a.unit(ctx, tx).motor(ctx, req, duty)
	})
}

func (u unit) motor(ctx context.Context, req *workordersv1.CreateMotoringRunRequest, duty []motoring.Duty) (*workordersv1.MotoringRun, error) {
	me, err := u.me()
	if err != nil {
		return nil, err
	}
	o, err := u.started(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	if err := u.apart(ctx, o, me, 0); err != nil {
		return nil, err
	}
	r := req.GetMotoringRun()
	resource.ClearOutputOnly(r)
	run := motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()}
	if !run.End.After(run.Start) || run.End.After(u.now.Add(leeway)) || run.Start.Before(o.GetStartTime().AsTime().Add(-leeway)) {
		return nil, fault.Invalid("motoring_run", "RUN_TIMES_INVALID", "A run ends after it started, not in the future, and not before the order was started. Correct its times.")
	}
	if err := u.stepOf(ctx, o, "motoring_run.step", r.GetStep()); err != nil {
		return nil, err
	}
	if err := store.LockStarter(ctx, u.Tx, o.GetEngine()); err != nil {
		return nil, err
	}
	others, err := u.runsOf(ctx, o.GetEngine(), run.Start.Add(-series))
	if err != nil {
		return nil, err
	}
	if motoring.Overlaps(others, run) {
		return nil, fault.Invalid("motoring_run", "RUNS_OVERLAP", "The run overlaps one that is recorded. Correct its times.")
	}
	r.ExceedanceText = motoring.Check(duty, others, run)
	r.Exceedance = r.GetExceedanceText() != ""
	r.Name, r.Person = u.app.newName(o.GetName()+"/motoringRuns", ""), me
	if err := store.Runs.Insert(ctx, u.Tx, r, u.now); err != nil {
		return nil, err
	}
	return r, u.publish(ctx, "motoring.recorded", o.GetName(), &workordersv1.MotoringRecorded{WorkOrder: o.GetName(), Engine: o.GetEngine(), MotoringRun: r})
}

// MotoringLimits says when the starter may run next.
func (a *App) MotoringLimits(ctx context.Context, name string) (*workordersv1.MotoringLimits, error) {
	order := orderOf(name)
	duty, profile, err := a.duty(ctx, order)
	if err != nil {
		return nil, err
	}
	out := &workordersv1.MotoringLimits{Name: name, Profile: profile}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		o, err := store.Orders.Get(ctx, tx, order)
		if err != nil {
			return err
		}
		runs, err := a.unit(ctx, tx).runsOf(ctx, o.GetEngine(), a.Clock.Now().Add(-series))
		if err != nil {
			return err
		}
		l := motoring.After(duty, runs)
		out.MaxSeconds, out.SeriesRunCount, out.BindingLimit = int32(l.Max.Seconds()), int32(l.Series), l.Binding
		if !l.Next.IsZero() {
			out.NextAllowedTime = timestamppb.New(l.Next)
		}
		return nil
	})
	return out, err
}
