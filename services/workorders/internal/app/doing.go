package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/store"
)

// started reads an order that is being done. Reasons: STATE_NOT_ALLOWED, ON_HOLD.
func (u unit) started(ctx context.Context, name string) (*workordersv1.WorkOrder, error) {
	o, err := store.Orders.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	if o.GetState() != workordersv1.WorkOrder_STARTED {
		return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s; steps and readings are recorded while it is STARTED. Allowed now: %s.", o.GetName(), o.GetState(),
			strings.Join(o.GetAllowedVerbs(), ", ")).With("state", o.GetState().String())
	}
	if o.GetHold() != nil {
		return nil, fault.Precondition("ON_HOLD", "%s is on hold: %s. Resume it first.", o.GetName(), o.GetHold().GetReason())
	}
	return o, nil
}

// AcknowledgeCautions records that the performer read a step's cautions.
func (a *App) AcknowledgeCautions(ctx context.Context, req *workordersv1.AcknowledgeCautionsRequest) (*workordersv1.Step, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
		if _, err := u.started(ctx, orderOf(req.GetName())); err != nil {
			return nil, err
		}
		step, err := store.Steps.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		step.AcknowledgeTime, step.Acknowledger = timestamppb.New(u.now), me
		return step, store.Steps.Save(ctx, tx, step, u.now)
	})
}

var byAnother = []workordersv1.StepKind{
	workordersv1.StepKind_STEP_KIND_INSPECT, workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION, workordersv1.StepKind_STEP_KIND_WITNESS,
}

// CompleteStep records a step as done. Gates and lots are asked before the transaction.
func (a *App) CompleteStep(ctx context.Context, req *workordersv1.CompleteStepRequest) (*workordersv1.Step, error) {
	order, err := store.Orders.Read(ctx, a.DB, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	step, err := store.Steps.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := a.askForStep(ctx, order, step, req); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
		return a.unit(ctx, tx).complete(ctx, req)
	})
}

func (a *App) askForStep(ctx context.Context, order *workordersv1.WorkOrder, step *workordersv1.Step, req *workordersv1.CompleteStepRequest) error {
	id, _ := auth.FromContext(ctx)
	if step.GetState() != workordersv1.Step_OPEN {
		return nil // the transaction answers with the state, or replays
	}
	scope := "perform"
	if slices.Contains(byAnother, step.GetKind()) {
		if scope = "inspect"; !id.Has("inspector") {
			return fault.Denied("ROLE_MISSING", "%q is done by an inspector. Ask one.", step.GetTitle())
		}
	} else if !id.Has("technician") {
		return fault.Denied("ROLE_MISSING", "%q is done by a technician. Ask one.", step.GetTitle())
	}
	day, err := a.today(ctx, order)
	if err != nil {
		return err
	}
	if _, err := a.gate(ctx, id.Person, order.GetEngine(), day, append([]string{scope}, step.GetRequiredAuthorizations()...), nil); err != nil {
		return err
	}
	for _, m := range req.GetMaterials() {
		if err := a.usableLot(ctx, m.GetLot(), order.GetName(), a.Clock.Now()); err != nil {
			return err
		}
	}
	return nil
}

func (u unit) complete(ctx context.Context, req *workordersv1.CompleteStepRequest) (*workordersv1.Step, error) {
	me, err := u.me()
	if err != nil {
		return nil, err
	}
	o, err := u.started(ctx, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	step, err := store.Steps.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := u.mayComplete(ctx, o, step, req, me); err != nil {
		return nil, err
	}
	step.State, step.Performer, step.Note = workordersv1.Step_DONE, me, req.GetNote()
	if req.GetNotApplicable() {
		step.State = workordersv1.Step_NOT_APPLICABLE
	}
	if step.CompleteTime = req.GetCompleteTime(); step.GetCompleteTime() == nil {
		step.CompleteTime = timestamppb.New(u.now)
	}
	for _, m := range req.GetMaterials() {
		m.Step, m.UseTime = step.GetName(), step.GetCompleteTime()
		step.Materials = append(step.Materials, m)
		o.Materials = append(o.Materials, m)
	}
	step.RemovedItemCount, step.RestoredItemCount = req.GetRemovedItemCount(), req.GetRestoredItemCount()
	if err := store.Steps.Save(ctx, u.Tx, step, u.now); err != nil {
		return nil, err
	}
	if err := u.save(ctx, o); err != nil {
		return nil, err
	}
	return step, u.publish(ctx, "step.completed", o.GetName(), &workordersv1.StepCompleted{
		WorkOrder: o.GetName(), Step: step.GetName(), Kind: step.GetKind().String(), Engine: o.GetEngine(), Person: me, Materials: req.GetMaterials(), CompleteTime: step.GetCompleteTime(),
	})
}

func (u unit) mayComplete(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, req *workordersv1.CompleteStepRequest, me string) error {
	switch {
	case step.GetState() != workordersv1.Step_OPEN:
		return fault.Precondition("STATE_NOT_ALLOWED", "Step %d is %s already.", step.GetPosition(), step.GetState()).With("state", step.GetState().String())
	case len(step.GetCautions()) > 0 && step.GetAcknowledgeTime() == nil:
		return fault.Precondition("CAUTIONS_NOT_ACKNOWLEDGED", "Read and acknowledge the cautions of step %d first.", step.GetPosition())
	case req.GetNotApplicable() && strings.TrimSpace(req.GetNote()) == "":
		return fault.Invalid("note", "NOTE_MISSING", "A step that does not apply needs a note that says why.")
	case req.GetNotApplicable() && step.GetCritical():
		return fault.Precondition("STEP_CRITICAL", "Step %d is critical and can't be left out.", step.GetPosition())
	case step.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT && req.GetRemovedItemCount() != req.GetRestoredItemCount():
		return fault.Precondition("COUNT_DIFFERS", "%d items went out and %d came back. Find what is missing before you go on.", req.GetRemovedItemCount(), req.GetRestoredItemCount())
	case step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL && len(req.GetMaterials()) == 0 && !req.GetNotApplicable():
		return fault.Invalid("materials", "MATERIAL_MISSING", "Step %d names the lots used and their amounts. Scan them.", step.GetPosition())
	}
	condition, args := store.Under(o.GetName() + "/steps")
	all, err := store.Steps.Where(ctx, u.Tx, condition+" ORDER BY position", args...)
	if err != nil {
		return err
	}
	for _, other := range all {
		if other.GetPosition() < step.GetPosition() && other.GetState() == workordersv1.Step_OPEN {
			return fault.Precondition("STEP_ORDER", "Step %d, %q, comes first and is open.", other.GetPosition(), other.GetTitle()).With("step", other.GetName())
		}
		if slices.Contains(byAnother, step.GetKind()) && other.GetPerformer() == me && !slices.Contains(byAnother, other.GetKind()) {
			return fault.Precondition("SAME_PERSON", "%s did step %d and can't inspect the work. Another person must.", me, other.GetPosition())
		}
	}
	return u.measuredAll(ctx, o, step, req)
}

func (u unit) measuredAll(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, req *workordersv1.CompleteStepRequest) error {
	if req.GetNotApplicable() {
		return nil
	}
	condition, args := store.Under(o.GetName() + "/measurements")
	taken, err := store.Measured.Where(ctx, u.Tx, condition+" AND step = $3 AND successor = ''", append(args, step.GetName())...)
	if err != nil {
		return err
	}
	for _, spec := range step.GetMeasurements() {
		if !slices.ContainsFunc(taken, func(m *workordersv1.Measurement) bool { return m.GetKey() == spec.GetKey() }) {
			return fault.Precondition("MEASUREMENT_MISSING", "Step %d needs the reading %q. Record it first.", step.GetPosition(), spec.GetDisplayName()).With("key", spec.GetKey())
		}
	}
	return nil
}

// CreateMeasurement records a reading with the tool that it was taken with.
func (a *App) CreateMeasurement(ctx context.Context, req *workordersv1.CreateMeasurementRequest) (*workordersv1.Measurement, error) {
	m := req.GetMeasurement()
	order, err := store.Orders.Read(ctx, a.DB, req.GetParent())
	if err != nil {
		return nil, err
	}
	evidence := ""
	if m.GetTool() != "" {
		day, err := a.today(ctx, order)
		if err != nil {
			return nil, err
		}
		answer, err := a.gate(ctx, "", "", day, nil, []string{m.GetTool()})
		if err != nil {
			return nil, err
		}
		evidence = answer.GetResults()[0].GetEvidence()
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Measurement, error) {
		u := a.unit(ctx, tx)
		m.Name, m.ToolCalibration = a.newName(req.GetParent()+"/measurements", req.GetMeasurementId()), evidence
		return m, u.measure(ctx, m)
	})
}

func (u unit) measure(ctx context.Context, m *workordersv1.Measurement) error {
	me, err := u.me()
	if err != nil {
		return err
	}
	o, err := u.started(ctx, orderOf(m.GetName()))
	if err != nil {
		return err
	}
	step, err := store.Steps.Get(ctx, u.Tx, m.GetStep())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(step.GetMeasurements(), func(s *workordersv1.MeasurementSpec) bool { return s.GetKey() == m.GetKey() })
	if i < 0 || orderOf(step.GetName()) != o.GetName() {
		return fault.Invalid("measurement.key", "MEASUREMENT_UNKNOWN", "Step %q has no reading %q.", m.GetStep(), m.GetKey())
	}
	if err := judge(m, step.GetMeasurements()[i]); err != nil {
		return err
	}
	m.Person = me
	if m.GetMeasureTime() == nil {
		m.MeasureTime = timestamppb.New(u.now)
	}
	if err := store.Measured.Insert(ctx, u.Tx, m, u.now); err != nil {
		return err
	}
	return u.publish(ctx, "measurement.recorded", o.GetName(), &workordersv1.MeasurementRecorded{WorkOrder: o.GetName(), Measurement: m})
}

// judge fills the canonical value and compares it with the limits.
func judge(m *workordersv1.Measurement, spec *workordersv1.MeasurementSpec) error {
	if spec.GetToolRequired() && m.GetTool() == "" {
		return fault.Invalid("measurement.tool", "TOOL_MISSING", "%s is read with a tool that is in calibration. Scan it.", spec.GetDisplayName())
	}
	q, err := quantity.Parse(strings.Replace(m.GetEntered().GetText(), ",", ".", 1), m.GetEntered().GetUnitCode())
	if err != nil {
		return err
	}
	want, err := quantity.Lookup(spec.GetUnitCode())
	if err != nil {
		return err
	}
	in, err := q.ConvertRounded(want, 9)
	if err != nil {
		return err
	}
	value, _ := in.Value().Float64()
	m.Value, m.UnitCode = value, want.Code
	low, high := math.Inf(-1), math.Inf(1)
	if spec.MinValue != nil {
		low = spec.GetMinValue()
	}
	if spec.MaxValue != nil {
		high = spec.GetMaxValue()
	}
	if m.LimitsMet = value >= low && value <= high; !m.GetLimitsMet() && !m.GetExceedanceConfirmed() {
		return fault.Precondition("OUT_OF_LIMITS_NOT_CONFIRMED", "%s of %s is outside its limits (%s to %s %s). Read it again, or confirm it.", spec.GetDisplayName(), q,
			bound(low), bound(high), want.Code)
	}
	return nil
}

func bound(v float64) string {
	if math.IsInf(v, 0) {
		return "any"
	}
	return fmt.Sprintf("%g", v)
}

// SupersedeMeasurement corrects a reading by a new one; the old one stays readable.
func (a *App) SupersedeMeasurement(ctx context.Context, req *workordersv1.SupersedeMeasurementRequest) (*workordersv1.Measurement, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Measurement, error) {
		u := a.unit(ctx, tx)
		old, err := store.Measured.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if old.GetSuccessor() != "" {
			return nil, fault.Precondition("NOT_HEAD_OF_LINE", "%s was corrected already by %s. Correct that one.", old.GetName(), old.GetSuccessor())
		}
		m := &workordersv1.Measurement{
			Name: a.newName(orderOf(req.GetName())+"/measurements", ""), Step: old.GetStep(), Key: old.GetKey(), Entered: req.GetEntered(), Tool: old.GetTool(),
			ToolCalibration: old.GetToolCalibration(), ExceedanceConfirmed: req.GetExceedanceConfirmed(), Reason: req.GetReason(), Supersedes: old.GetName(),
		}
		if err := u.measure(ctx, m); err != nil {
			return nil, err
		}
		old.Successor = m.GetName()
		return m, store.Measured.Save(ctx, tx, old, u.now)
	})
}

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

func (u unit) runsOf(ctx context.Context, order string) ([]motoring.Run, error) {
	condition, args := store.Under(order + "/motoringRuns")
	stored, err := store.Runs.Where(ctx, u.Tx, condition+" ORDER BY start_time", args...)
	var runs []motoring.Run
	for _, r := range stored {
		runs = append(runs, motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()})
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
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
		o, err := u.started(ctx, req.GetParent())
		if err != nil {
			return nil, err
		}
		r := req.GetMotoringRun()
		run := motoring.Run{Start: r.GetStartTime().AsTime(), End: r.GetEndTime().AsTime()}
		if !run.End.After(run.Start) || run.End.After(u.now.Add(leeway)) {
			return nil, fault.Invalid("motoring_run", "RUN_TIMES_INVALID", "A run ends after it started and not in the future. Correct its times.")
		}
		before, err := u.runsOf(ctx, o.GetName())
		if err != nil {
			return nil, err
		}
		if motoring.Overlaps(before, run) {
			return nil, fault.Invalid("motoring_run", "RUNS_OVERLAP", "The run overlaps one that is recorded. Correct its times.")
		}
		r.ExceedanceText = motoring.Check(duty, before, run)
		r.Exceedance = r.GetExceedanceText() != ""
		r.Name, r.Person = a.newName(o.GetName()+"/motoringRuns", ""), me
		if err := store.Runs.Insert(ctx, tx, r, u.now); err != nil {
			return nil, err
		}
		return r, u.publish(ctx, "motoring.recorded", o.GetName(), &workordersv1.MotoringRecorded{WorkOrder: o.GetName(), Engine: o.GetEngine(), MotoringRun: r})
	})
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
		runs, err := a.unit(ctx, tx).runsOf(ctx, order)
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
