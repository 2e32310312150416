package app

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// started reads an order that is being done. Reasons: STATE_NOT_ALLOWED, ON_HOLD.
func (u unit) started(ctx context.Context, name string) (*workordersv1.WorkOrder, error) {
	o, err := store.Orders.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	if o.GetState() != workordersv1.WorkOrder_STARTED {
		return nil, standing(o, "STATE_NOT_ALLOWED", "%s is %s; steps and readings are recorded while it is STARTED. Have %s.", o.GetName(), o.GetState(), begun(o))
	}
	if o.GetHold() != nil {
		return nil, standing(o, "ON_HOLD", "%s is %s and on hold: %s. Resume it first.", o.GetName(), o.GetState(), o.GetHold().GetReason())
	}
	return o, nil
}

// begun is what has to happen before an order that is not STARTED takes entries.
func begun(o *workordersv1.WorkOrder) string {
	switch o.GetState() {
	case workordersv1.WorkOrder_DRAFTED, workordersv1.WorkOrder_SCHEDULED:
		return "it kitted and started first"
	case workordersv1.WorkOrder_KITTED:
		return "it started first"
	case workordersv1.WorkOrder_FINISHED, workordersv1.WorkOrder_INSPECTED:
		return "it sent back first, which ends its signatures"
	default:
		return "a new order drafted for more work"
	}
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
	day, err := a.dayOf(ctx, order, req.GetCompleteTime())
	if err != nil {
		return err
	}
	if _, err := a.gate(ctx, id.Person, order.GetEngine(), day, append([]string{scope}, step.GetRequiredAuthorizations()...), nil); err != nil {
		return err
	}
	used := a.Clock.Now()
	if req.GetCompleteTime() != nil {
		used = req.GetCompleteTime().AsTime()
	}
	uses, err := byLot(req.GetMaterials())
	if err != nil {
		return err
	}
	for _, m := range uses {
		if err := a.usableLot(ctx, m, order, used); err != nil {
			return err
		}
	}
	return nil
}

// byLot adds up what a step uses of each lot, in the unit that was named first: two halves may be more than there is. Reason: UNIT_MISMATCH.
func byLot(uses []*workordersv1.MaterialUse) (sums []*workordersv1.MaterialUse, err error) {
	for _, use := range uses {
		i := slices.IndexFunc(sums, func(m *workordersv1.MaterialUse) bool { return m.GetLot() == use.GetLot() })
		if i < 0 {
			sums = append(sums, proto.CloneOf(use))
			continue
		}
		if sums[i].Quantity, err = plus(sums[i].GetQuantity(), use.GetQuantity()); err != nil {
			return nil, err
		}
	}
	return sums, nil
}

func plus(a, b *commonv1.Quantity) (*commonv1.Quantity, error) {
	first, err := quantity.Parse(a.GetValue(), a.GetUnitCode())
	if err != nil {
		return nil, err
	}
	second, err := quantity.Parse(b.GetValue(), b.GetUnitCode())
	if err != nil {
		return nil, err
	}
	sum, err := first.Add(second)
	return &commonv1.Quantity{Value: sum.Value().String(), UnitCode: a.GetUnitCode()}, err
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
	if err := resource.CheckEtag(step, req.GetEtag()); err != nil {
		return nil, err
	}
	if err := onPaper(req.GetPaperEntry(), req.GetCompleteTime(), "complete_time"); err != nil {
		return nil, err
	}
	done, err := u.during(o, "complete_time", req.GetCompleteTime())
	if err != nil {
		return nil, err
	}
	if err := u.mayComplete(ctx, o, step, req, me, done); err != nil {
		return nil, err
	}
	step.State, step.Performer, step.Note = workordersv1.Step_DONE, me, req.GetNote()
	if req.GetNotApplicable() {
		step.State = workordersv1.Step_NOT_APPLICABLE
	}
	step.CompleteTime, step.EntryTime, step.PaperEntry = done, timestamppb.New(u.now), req.GetPaperEntry()
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
		PaperEntry: step.GetPaperEntry(),
	})
}

func (u unit) mayComplete(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, req *workordersv1.CompleteStepRequest, me string, done *timestamppb.Timestamp) error {
	switch {
	case step.GetState() != workordersv1.Step_OPEN:
		return notOpen(step)
	case !acknowledged(step, me):
		return cautionsFirst(step)
	case req.GetNotApplicable() && strings.TrimSpace(req.GetNote()) == "":
		return fault.Invalid("note", "NOTE_MISSING", "Step %d is left out as not applicable, which needs a note that says why. Add it.", step.GetPosition())
	case req.GetNotApplicable() && mustBeDone(step):
		return fault.Precondition("STEP_CRITICAL", "Step %d is critical, or stops the work until somebody looked, and can't be left out. Do it, or put the order on hold and ask quality.",
			step.GetPosition())
	case req.GetNotApplicable() && (len(req.GetMaterials()) > 0 || req.GetRemovedItemCount()+req.GetRestoredItemCount() > 0):
		return fault.Invalid("not_applicable", "NOT_APPLICABLE_WITH_WORK",
			"Step %d is left out as not applicable, and lots or counts of items are given with it, which say that it was done. Record it as done, or leave them out.", step.GetPosition())
	case step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL && len(req.GetMaterials()) == 0 && !req.GetNotApplicable():
		return fault.Invalid("materials", "MATERIAL_MISSING", "Step %d names the lots used and their amounts. Scan them.", step.GetPosition())
	}
	if err := someOfEach(req.GetMaterials()); err != nil {
		return err
	}
	all, err := u.stepsOf(ctx, o)
	if err != nil {
		return err
	}
	if err := inOrder(all, step, done.AsTime()); err != nil {
		return err
	}
	if err := u.looks(ctx, o, step, me); err != nil {
		return err
	}
	if err := counted(all, step, req); err != nil {
		return err
	}
	return u.measuredAll(ctx, o, step, req, done.AsTime())
}

// mustBeDone says of a step that it is neither left out nor left undone: what is critical, what puts back, and what stops the work
// until somebody looked.
func mustBeDone(step *workordersv1.Step) bool {
	switch step.GetKind() {
	case workordersv1.StepKind_STEP_KIND_HOLD_POINT, workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT:
		return true
	default:
		return step.GetCritical() || slices.Contains(byAnother, step.GetKind())
	}
}

// inOrder refuses a step before an earlier one, and at an earlier time than that one was done: a look at work that was not done yet is none.
// Reasons: STEP_ORDER, TIME_OUT_OF_ORDER.
func inOrder(all []*workordersv1.Step, step *workordersv1.Step, done time.Time) error {
	for _, other := range all {
		switch at := other.GetCompleteTime(); {
		case other.GetPosition() >= step.GetPosition():
		case other.GetState() == workordersv1.Step_OPEN:
			return stepFirst(other)
		case at != nil && done.Before(at.AsTime().Add(-leeway)):
			return fault.Invalid("complete_time", "TIME_OUT_OF_ORDER", "Step %d, %q, comes first and was done at %s, later than %s. Correct the time, or open that step again if its time is wrong.",
				other.GetPosition(), other.GetTitle(), at.AsTime().Format(time.RFC3339), done.Format(time.RFC3339)).With("step", other.GetName())
		}
	}
	return nil
}

func stepFirst(s *workordersv1.Step) error {
	how := "it done, or recorded with a note why it does not apply"
	switch {
	case slices.Contains(byAnother, s.GetKind()):
		how = "an inspector look at it"
	case mustBeDone(s):
		how = "it done"
	}
	return fault.Precondition("STEP_ORDER", "Step %d, %q, comes first and is open. Have %s, then go on.", s.GetPosition(), s.GetTitle(), how).With("step", s.GetName())
}

// measuredAll refuses a step whose readings are missing, or were taken later than it is said to be done. Reasons: MEASUREMENT_MISSING,
// TIME_OUT_OF_ORDER.
func (u unit) measuredAll(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, req *workordersv1.CompleteStepRequest, done time.Time) error {
	if req.GetNotApplicable() {
		return nil
	}
	condition, args := store.Under(o.GetName() + "/measurements")
	taken, err := store.Measured.Where(ctx, u.Tx, condition+" AND step = $3 AND successor = ''", append(args, step.GetName())...)
	if err != nil {
		return err
	}
	for _, spec := range step.GetMeasurements() {
		if !slices.ContainsFunc(taken, func(m *workordersv1.Measurement) bool { return m.GetKey() == spec.GetKey() && anew(step, m) }) {
			return fault.Precondition("MEASUREMENT_MISSING", "Step %d needs the reading %q. Record it first.", step.GetPosition(), spec.GetDisplayName()).With("key", spec.GetKey())
		}
	}
	for _, m := range taken {
		if at := m.GetMeasureTime().AsTime(); anew(step, m) && at.After(done.Add(leeway)) {
			return fault.Invalid("complete_time", "TIME_OUT_OF_ORDER", "Step %d is said to be done at %s, and its reading %q was taken later, at %s. Give the time when it was done, "+
				"or correct that of the reading.", step.GetPosition(), done.Format(time.RFC3339), specOf(step, m.GetKey()).GetDisplayName(), at.Format(time.RFC3339)).With("measurement", m.GetName())
		}
	}
	return nil
}

func notOpen(step *workordersv1.Step) error {
	return fault.Precondition("STATE_NOT_ALLOWED", "Step %d is %s already. Open it again if it is to be done anew or was recorded wrongly.", step.GetPosition(), step.GetState()).
		With("state", step.GetState().String())
}

// onPaper refuses an entry of the fallback sheet that doesn't say when it was written there. Reason: TIME_NEEDED.
func onPaper(entry bool, at *timestamppb.Timestamp, field string) error {
	if entry && at == nil {
		return fault.Invalid(field, "TIME_NEEDED", "An entry of the fallback sheet says when it was done. Give the time that stands on the sheet.")
	}
	return nil
}

// during is when something was done on a started order: now, or a time between its start and now.
func (u unit) during(o *workordersv1.WorkOrder, field string, at *timestamppb.Timestamp) (*timestamppb.Timestamp, error) {
	switch {
	case at == nil:
		return timestamppb.New(u.now), nil
	case at.AsTime().After(u.now.Add(leeway)) || at.AsTime().Before(o.GetStartTime().AsTime().Add(-leeway)):
		return nil, fault.Invalid(field, "TIME_OUT_OF_ORDER", "%s is in the future, or before %s was started. Give the time when it was done.", at.AsTime().Format(time.RFC3339),
			o.GetNumber())
	default:
		return at, nil
	}
}

// stepOf refuses a step that is not one of the order's; none passes. Reason: STEP_UNKNOWN.
func (u unit) stepOf(ctx context.Context, o *workordersv1.WorkOrder, field, step string) error {
	if step == "" {
		return nil
	}
	if _, err := store.Steps.Get(ctx, u.Tx, step); err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return err
	} else if err != nil || orderOf(step) != o.GetName() {
		return fault.Invalid(field, "STEP_UNKNOWN", "%q is not a step of %s. List its steps and name one.", step, o.GetName())
	}
	return nil
}
