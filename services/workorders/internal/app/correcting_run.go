package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/store"
)

// SupersedeMotoringRun corrects a run of the starter by a new entry, or says that there was none; the old entry stays readable.
func (a *App) SupersedeMotoringRun(ctx context.Context, req *workordersv1.SupersedeMotoringRunRequest) (*workordersv1.MotoringRun, error) {
	duty, p, err := a.duty(ctx, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.MotoringRun, error) {
		return a.unit(ctx, tx).replaceRun(ctx, req, duty, p)
	})
}

func (u unit) replaceRun(
	ctx context.Context, req *workordersv1.SupersedeMotoringRunRequest, duty []motoring.Duty, p *workordersv1.WashPlan,
) (*workordersv1.MotoringRun, error) {
	o, me, err := u.mayMotor(ctx, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	old, err := store.Runs.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
		return nil, err
	}
	r, err := correctedRun(old, req)
	if err != nil {
		return nil, err
	}
	if err := u.mayCorrectRun(ctx, o, r); err != nil {
		return nil, err
	}
	r.Name, r.Person = u.app.newName(o.GetName()+"/motoringRuns", ""), me
	old.Successor = r.GetName()
	if err := store.Runs.Save(ctx, u.Tx, old, u.now); err != nil {
		return nil, err
	}
	return r, u.judgeAnew(ctx, o, r, duty, p)
}

// correctedRun is a run as a correction has it. Reasons: NOT_HEAD_OF_LINE, CORRECTION_UNCLEAR.
func correctedRun(old *workordersv1.MotoringRun, req *workordersv1.SupersedeMotoringRunRequest) (*workordersv1.MotoringRun, error) {
	if err := headOfLine(old.GetName(), old.GetSuccessor()); err != nil {
		return nil, err
	}
	r := proto.CloneOf(req.GetMotoringRun())
	if err := oneCorrection(old.GetName(), r != nil, req.GetWithdrawn()); err != nil {
		return nil, err
	}
	if r == nil {
		r = proto.CloneOf(old)
	}
	resource.ClearOutputOnly(r)
	r.Supersedes, r.Reason, r.Withdrawn, r.PaperEntry = old.GetName(), req.GetReason(), req.GetWithdrawn(), old.GetPaperEntry()
	same := r.GetStep() == old.GetStep() && sameSpan(r, old) && r.GetAborted() == old.GetAborted() && r.GetRemarks() == old.GetRemarks() && r.GetPurpose() == old.GetPurpose()
	return r, newlySaid(old.GetName(), same && r.GetWithdrawn() == old.GetWithdrawn())
}

// oneCorrection refuses a correction that does not say the one thing or the other. Reason: CORRECTION_UNCLEAR.
func oneCorrection(name string, as, none bool) error {
	if as == none {
		return fault.Invalid("withdrawn", "CORRECTION_UNCLEAR", "%s is corrected by the whole entry as it was, or withdrawn where there was none. Give one of both.", name)
	}
	return nil
}

// newlySaid refuses a correction that corrects nothing, such as one that was entered twice. Reason: CORRECTION_UNCLEAR.
func newlySaid(name string, same bool) error {
	if same {
		return fault.Invalid("reason", "CORRECTION_UNCLEAR", "%s says just that already, so nothing is corrected. Look at it again and give what differs.", name)
	}
	return nil
}

// spanned is what lasted from one instant to another.
type spanned interface {
	GetStartTime() *timestamppb.Timestamp
	GetEndTime() *timestamppb.Timestamp
}

func sameSpan(a, b spanned) bool {
	return proto.Equal(a.GetStartTime(), b.GetStartTime()) && proto.Equal(a.GetEndTime(), b.GetEndTime())
}

// mayCorrectRun refuses times and a step that a run can't have; nothing is done at the engine by correcting its entry. Reasons: RUN_TIMES_INVALID,
// STEP_UNKNOWN.
func (u unit) mayCorrectRun(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun) error {
	if r.GetWithdrawn() {
		return nil
	}
	if err := u.ranWhen(o, r); err != nil {
		return err
	}
	return u.stepOf(ctx, o, "motoring_run.step", r.GetStep())
}

// correctionText says what was entered before a correction and what stands now, by whom and why.
func correctionText(runs []*workordersv1.MotoringRun, r *workordersv1.MotoringRun) string {
	old := &workordersv1.MotoringRun{}
	for _, other := range runs {
		if other.GetName() == r.GetSupersedes() {
			old = other
		}
	}
	now := "now " + spanText(r)
	if r.GetWithdrawn() {
		now = "there was none"
	}
	return fmt.Sprintf("%s by %s, %s by %s (%s)", spanText(old), old.GetPerson(), now, r.GetPerson(), r.GetReason())
}

// spanText says when and for what the starter ran, in UTC.
func spanText(r *workordersv1.MotoringRun) string {
	from, to := r.GetStartTime().AsTime(), r.GetEndTime().AsTime()
	return fmt.Sprintf("%s %s to %s UTC", runKinds[r.GetPurpose()], from.Format("2006-01-02 15:04:05"), to.Format("15:04:05")) + suffix(r.GetAborted(), "broken off")
}
