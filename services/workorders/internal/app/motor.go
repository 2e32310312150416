package app

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/store"
)

// duty asks for the duty list that an order's plan uses, before the transaction. An order without a plan uses the starter, too: its list is
// that of its station's power source, and without one its runs can't be judged, which is told on each.
func (a *App) duty(ctx context.Context, order string) ([]motoring.Duty, *workordersv1.WashPlan, error) {
	o, err := store.Orders.Read(ctx, a.DB, order)
	if err != nil {
		return nil, nil, err
	}
	engine, err := a.engineOf(ctx, o.GetEngine())
	if err != nil {
		return nil, nil, err
	}
	model, err := a.modelOf(ctx, engine.GetEngineModel())
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return nil, nil, err
	}
	p, err := store.Plans.Read(ctx, a.DB, order+"/washPlan")
	if fault.HasReason(err, "NOT_FOUND") {
		p, err = a.unplanned(ctx, o, model)
	}
	return dutyOf(model, p.GetStarterProfile()), p, err
}

// unplanned is a plan with nothing but the starter profile of the power source at an order's station.
func (a *App) unplanned(ctx context.Context, o *workordersv1.WorkOrder, model *performancev1.EngineModel) (*workordersv1.WashPlan, error) {
	if o.GetStation() == "" {
		return &workordersv1.WashPlan{}, nil
	}
	place, err := store.Stations.Read(ctx, a.DB, o.GetStation())
	if err != nil {
		return nil, err
	}
	for _, profile := range model.GetWash().GetStarterProfiles() {
		if profile.GetPowerSource() == place.GetPowerSource() {
			return &workordersv1.WashPlan{StarterProfile: profile.GetId()}, nil
		}
	}
	return &workordersv1.WashPlan{}, nil
}

// series is how far back the runs of an engine's starter are looked at.
const series = 24 * time.Hour

// runsOf are the runs of an engine's starter since an instant, on whichever order they were recorded; a start of the engine is one.
func (u unit) runsOf(ctx context.Context, duty []motoring.Duty, engine string, since time.Time) (runs []motoring.Run, err error) {
	entries, err := u.runEntries(ctx, engine, since)
	for _, r := range entries {
		if counts(r) {
			runs = append(runs, useOf(duty, r))
		}
	}
	return runs, err
}

// runEntries are what was recorded of an engine's starter since an instant, also what was corrected.
func (u unit) runEntries(ctx context.Context, engine string, since time.Time) ([]*workordersv1.MotoringRun, error) {
	orders, err := store.Orders.Where(ctx, u.Tx, "engine = $1", engine)
	if err != nil {
		return nil, err
	}
	entries, err := store.Runs.Where(ctx, u.Tx, "start_time >= $1 ORDER BY start_time, name", storage.Micros(since))
	return slices.DeleteFunc(entries, func(r *workordersv1.MotoringRun) bool {
		return !slices.ContainsFunc(orders, func(o *workordersv1.WorkOrder) bool { return o.GetName() == orderOf(r.GetName()) })
	}), err
}

// counts says that a run was made as its entry has it: nobody corrected the entry, and it does not say that there was none.
func counts(r *workordersv1.MotoringRun) bool { return r.GetSuccessor() == "" && !r.GetWithdrawn() }

// CreateMotoringRun records a run of the starter; one that broke the limits is an exceedance, never a silent entry.
func (a *App) CreateMotoringRun(ctx context.Context, req *workordersv1.CreateMotoringRunRequest) (*workordersv1.MotoringRun, error) {
	duty, p, err := a.duty(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.MotoringRun, error) {
		return a.unit(ctx, tx).motor(ctx, req, duty, p)
	})
}

func (u unit) motor(ctx context.Context, req *workordersv1.CreateMotoringRunRequest, duty []motoring.Duty, p *workordersv1.WashPlan) (*workordersv1.MotoringRun, error) {
	o, me, err := u.mayMotor(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	r := req.GetMotoringRun()
	resource.ClearOutputOnly(r)
	if err := u.mayEnterRun(ctx, o, r, me); err != nil {
		return nil, err
	}
	if r.ExceedanceText, err = u.judgeRun(ctx, o, r, duty, p); err != nil {
		return nil, err
	}
	r.Exceedance = r.GetExceedanceText() != ""
	r.Name, r.Person = u.app.newName(o.GetName()+"/motoringRuns", ""), me
	if err := store.Runs.Insert(ctx, u.Tx, r, u.now); err != nil {
		return nil, err
	}
	return r, u.tellRun(ctx, o, r, "")
}

// tellRun tells that a run was recorded, or what it breaks after another one was corrected.
func (u unit) tellRun(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun, after string) error {
	return u.publish(ctx, "motoring.recorded", o.GetName(), &workordersv1.MotoringRecorded{
		WorkOrder: o.GetName(), Engine: o.GetEngine(), MotoringRun: r, CorrectedRun: after,
	})
}

// mayMotor locks an order and its starter for a caller who may record runs of it. Reasons: PERSON_NEEDED, STATE_NOT_ALLOWED, ON_HOLD, SAME_PERSON.
func (u unit) mayMotor(ctx context.Context, order string) (o *workordersv1.WorkOrder, me string, err error) {
	if me, err = u.me(); err != nil {
		return nil, "", err
	}
	if o, err = u.started(ctx, order); err != nil {
		return nil, "", err
	}
	if err := u.apart(ctx, o, me, 0); err != nil {
		return nil, "", err
	}
	return o, me, store.LockStarter(ctx, u.Tx, o.GetEngine())
}

// mayEnterRun refuses times and a step that a run can't have. Reasons: RUN_TIMES_INVALID and those of mayRunOn.
func (u unit) mayEnterRun(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun, me string) error {
	if err := u.ranWhen(o, r); err != nil {
		return err
	}
	return u.mayRunOn(ctx, o, r.GetStep(), me)
}

// mayRunOn says whether somebody may enter a run of the starter on a step, if one is named. Reasons: STEP_UNKNOWN, CAUTIONS_NOT_ACKNOWLEDGED,
// STEP_ORDER.
func (u unit) mayRunOn(ctx context.Context, o *workordersv1.WorkOrder, step, me string) error {
	if err := u.stepOf(ctx, o, "motoring_run.step", step); err != nil || step == "" {
		return err
	}
	s, err := store.Steps.Get(ctx, u.Tx, step)
	if err != nil {
		return err
	}
	return u.mayWorkOn(ctx, o, s, me)
}

// ranWhen refuses times that a run can't have: one of this order is after its start, and one of an earlier job before it. Reason:
// RUN_TIMES_INVALID.
func (u unit) ranWhen(o *workordersv1.WorkOrder, r *workordersv1.MotoringRun) error {
	start, end, began := r.GetStartTime().AsTime(), r.GetEndTime().AsTime(), o.GetStartTime().AsTime()
	if r.GetPurpose() == workordersv1.MotoringRun_EARLIER {
		if !end.After(start) || end.After(began) || start.Before(began.Add(-series)) {
			return fault.Invalid("motoring_run", "RUN_TIMES_INVALID", "A run of an earlier job ends after it started and before %s was started, not longer than a day ago. Correct its times.",
				o.GetNumber())
		}
		return nil
	}
	if !end.After(start) || end.After(u.now.Add(leeway)) || start.Before(began.Add(-leeway)) {
		return fault.Invalid("motoring_run", "RUN_TIMES_INVALID", "A run ends after it started, not in the future, and not before the order was started. Correct its times.")
	}
	return nil
}

// judgeRun says what a run breaks, empty when nothing. What an earlier job broke is not this order's, but what it left to the runs of
// this one is. Reason: RUNS_OVERLAP.
func (u unit) judgeRun(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun, duty []motoring.Duty, p *workordersv1.WashPlan) (string, error) {
	others, err := u.runsOf(ctx, duty, o.GetEngine(), r.GetStartTime().AsTime().Add(-series))
	if err != nil {
		return "", err
	}
	if err := overlapping(others, motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()}); err != nil {
		return "", err
	}
	return u.judgeAmong(ctx, o, r, others, duty, p)
}

// overlapping refuses a run while the starter, or the engine, is recorded to have run. Reason: RUNS_OVERLAP.
func overlapping(others []motoring.Run, run motoring.Run) error {
	if motoring.Overlaps(others, run) {
		return fault.Invalid("motoring_run", "RUNS_OVERLAP", "The run overlaps one that is recorded. Correct its times.")
	}
	return nil
}

// judgeAmong says what a run breaks among others of its starter.
func (u unit) judgeAmong(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun, others []motoring.Run, duty []motoring.Duty, p *workordersv1.WashPlan) (string, error) {
	run := motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()}
	switch r.GetPurpose() {
	case workordersv1.MotoringRun_EARLIER:
		return motoring.Leaves(duty, others, run, o.GetStartTime().AsTime()), nil
	case workordersv1.MotoringRun_DRYING:
		wetted, _, err := u.wetted(ctx, o, p, run.Start)
		if err != nil {
			return "", err
		}
		broken := []string{motoring.Check(duty, others, useOf(duty, r)), motoring.Dry(wetted, limitOf(p), run)}
		return strings.Join(slices.DeleteFunc(broken, func(text string) bool { return text == "" }), "; "), nil
	default:
		return motoring.Check(duty, others, run), nil
	}
}

// useOf is how a recorded run used the starter.
func useOf(duty []motoring.Duty, r *workordersv1.MotoringRun) motoring.Run {
	run := motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()}
	if r.GetPurpose() == workordersv1.MotoringRun_DRYING {
		return motoring.StartOf(duty, run)
	}
	return run
}

// limitOf is how long after the last wetting the drying run begins at the latest, 0 when the plan sets no limit.
func limitOf(p *workordersv1.WashPlan) time.Duration {
	return time.Duration(p.GetDryingLimitMinutes()) * time.Minute
}

// wetted is when liquid last went through the engine on an order before an instant, and whether it was dried since, by a run as long as the plan asks
// for; zero when none did.
func (u unit) wetted(ctx context.Context, o *workordersv1.WorkOrder, p *workordersv1.WashPlan, before time.Time) (last time.Time, dry bool, err error) {
	condition, args := store.Under(o.GetName() + "/motoringRuns")
	runs, err := store.Runs.Where(ctx, u.Tx, condition+" ORDER BY start_time", args...)
	for _, r := range runs {
		switch {
		case !counts(r) || !r.GetStartTime().AsTime().Before(before):
		case r.GetPurpose() == workordersv1.MotoringRun_PURPOSE_UNSPECIFIED:
			last, dry = r.GetEndTime().AsTime(), false
		case r.GetPurpose() == workordersv1.MotoringRun_DRYING && !r.GetAborted() && lasted(r) >= dryingLength(p):
			dry = true
		}
	}
	return last, dry, err
}

// MotoringLimits says when the starter may run next, and until when the engine is to be dried.
func (a *App) MotoringLimits(ctx context.Context, name string) (*workordersv1.MotoringLimits, error) {
	order := orderOf(name)
	duty, p, err := a.duty(ctx, order)
	if err != nil {
		return nil, err
	}
	out := &workordersv1.MotoringLimits{Name: name, Profile: p.GetStarterProfile()}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		o, err := store.Orders.Get(ctx, tx, order)
		if err != nil {
			return err
		}
		u := a.unit(ctx, tx)
		runs, err := u.runsOf(ctx, duty, o.GetEngine(), u.now.Add(-series))
		if err != nil {
			return err
		}
		l := motoring.After(duty, runs)
		out.MaxSeconds, out.SeriesRunCount, out.BindingLimit = int32(l.Max.Seconds()), int32(l.Series), l.Binding
		if !l.Next.IsZero() {
			out.NextAllowedTime = timestamppb.New(l.Next)
		}
		return u.dryUntil(ctx, o, p, out)
	})
	return out, err
}

// dryUntil adds when the engine was wetted last and, until it is dry, when the drying run is due, and whether the order lacks it.
func (u unit) dryUntil(ctx context.Context, o *workordersv1.WorkOrder, p *workordersv1.WashPlan, out *workordersv1.MotoringLimits) error {
	d, err := u.drying(ctx, o)
	if err != nil {
		return err
	}
	out.DryingRunMissing = d.missing
	wetted, dry, err := u.wetted(ctx, o, p, u.now.Add(leeway))
	if err != nil || wetted.IsZero() {
		return err
	}
	out.LastWettingTime = timestamppb.New(wetted)
	if limit := limitOf(p); !dry && !d.omitted && limit > 0 {
		out.DryingDueTime = timestamppb.New(wetted.Add(limit))
	}
	return nil
}
