package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// ReopenStep opens a step again that is done once more, or that was recorded wrongly.
func (a *App) ReopenStep(ctx context.Context, req *workordersv1.ReopenStepRequest) (*workordersv1.Step, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
		u := a.unit(ctx, tx)
		o, err := u.started(ctx, orderOf(req.GetName()))
		if err != nil {
			return nil, err
		}
		step, err := store.Steps.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(step, req.GetEtag()); err != nil {
			return nil, err
		}
		if step.GetState() == workordersv1.Step_OPEN {
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "Step %d is OPEN already. Do it, or correct its readings one by one.", step.GetPosition()).
				With("state", step.GetState().String())
		}
		if err := u.reopen(ctx, o, []string{step.GetName()}, req.GetReason()); err != nil {
			return nil, err
		}
		return store.Steps.Get(ctx, tx, step.GetName())
	})
}

// reopen opens steps of an order again, and the looks at the work that come after the first of them: they looked at what is not so any more. What
// is open stays as it is. Reasons: STEP_UNKNOWN, PERSON_NEEDED.
func (u unit) reopen(ctx context.Context, o *workordersv1.WorkOrder, names []string, reason string) error {
	me, err := u.me()
	if err != nil {
		return err
	}
	all, err := u.stepsOf(ctx, o)
	if err != nil {
		return err
	}
	var first *workordersv1.Step
	for i, name := range names {
		at := slices.IndexFunc(all, func(s *workordersv1.Step) bool { return s.GetName() == name })
		if at < 0 {
			return fault.Invalid(fmt.Sprintf("steps[%d]", i), "STEP_UNKNOWN", "%q is not a step of %s. List its steps and name one.", name, o.GetName())
		}
		if first == nil || all[at].GetPosition() < first.GetPosition() {
			first = all[at]
		}
	}
	for _, s := range all {
		named, looks := slices.Contains(names, s.GetName()), first != nil && s.GetPosition() > first.GetPosition() && slices.Contains(byAnother, s.GetKind())
		taken := tookOutBefore(all, names, s)
		if s.GetState() == workordersv1.Step_OPEN || !named && !looks && taken == nil {
			continue
		}
		why := reason
		switch {
		case named:
		case looks:
			why = fmt.Sprintf("step %d was opened again: %s", first.GetPosition(), reason)
		default:
			why = fmt.Sprintf("step %d, which takes out what is counted here, was opened again: %s", taken.GetPosition(), reason)
		}
		if err := u.reopenOne(ctx, o, s, me, why); err != nil {
			return err
		}
	}
	return nil
}

// tookOutBefore is the first of the steps opened again that took out what a step of counting counts back: it is counted once more then. Nil for none.
func tookOutBefore(all []*workordersv1.Step, names []string, counts *workordersv1.Step) *workordersv1.Step {
	if counts.GetKind() != workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT {
		return nil
	}
	i := slices.IndexFunc(all, func(s *workordersv1.Step) bool {
		return s.GetPosition() < counts.GetPosition() && slices.Contains(names, s.GetName()) && max(s.GetRemovedItemCount(), tookOut(s)) > 0
	})
	if i < 0 {
		return nil
	}
	return all[i]
}

// reopenOne puts what was recorded on a step to what was recorded before, and its signature out of force.
func (u unit) reopenOne(ctx context.Context, o *workordersv1.WorkOrder, s *workordersv1.Step, me, reason string) error {
	if s.GetSignature() != "" {
		sig, err := store.Signatures.Lock(ctx, u.Tx, s.GetSignature())
		if err != nil {
			return err
		}
		sig.VoidTime = timestamppb.New(u.now)
		if err := store.Signatures.Save(ctx, u.Tx, sig, u.now); err != nil {
			return err
		}
	}
	s.Earlier = append(s.Earlier, &workordersv1.EarlierStep{
		State: s.GetState(), Performer: s.GetPerformer(), CompleteTime: s.GetCompleteTime(), EntryTime: s.GetEntryTime(), PaperEntry: s.GetPaperEntry(), Note: s.GetNote(),
		Agreement: s.GetAgreement(), Materials: s.GetMaterials(), RemovedItemCount: s.GetRemovedItemCount(), RestoredItemCount: s.GetRestoredItemCount(), Signature: s.GetSignature(),
		Acknowledger: s.GetAcknowledger(), AcknowledgeTime: s.GetAcknowledgeTime(), Acknowledgements: s.GetAcknowledgements(), Reopener: me, ReopenTime: timestamppb.New(u.now), Reason: reason,
	})
	s.State, s.Performer, s.CompleteTime, s.EntryTime, s.PaperEntry, s.Note, s.Agreement = workordersv1.Step_OPEN, "", nil, nil, false, "", ""
	s.Materials, s.RemovedItemCount, s.RestoredItemCount, s.Signature, s.Acknowledger, s.AcknowledgeTime = nil, 0, 0, "", "", nil
	s.Acknowledgements = nil
	if err := store.Steps.Save(ctx, u.Tx, s, u.now); err != nil {
		return err
	}
	return u.tellStep(ctx, "step.reopened", o, s)
}

// anew says that a reading was taken since its step was opened again last; of a step that never was, each one was.
func anew(s *workordersv1.Step, m *workordersv1.Measurement) bool {
	before := s.GetEarlier()
	return len(before) == 0 || m.GetCreateTime().AsTime().After(before[len(before)-1].GetReopenTime().AsTime())
}

// addEarlier adds what was recorded on a step before it was opened again; who did it then did some of the work.
func (c *content) addEarlier(s *workordersv1.Step) {
	for _, e := range s.GetEarlier() {
		c.add("earlier", "%d|%s|%s|%s|%s|%d/%d|%s|%s|%s", s.GetPosition(), e.GetState(), e.GetPerformer(), stamp(e.GetCompleteTime()), e.GetNote(), e.GetRemovedItemCount(),
			e.GetRestoredItemCount(), e.GetReopener(), stamp(e.GetReopenTime()), e.GetReason())
		for _, m := range e.GetMaterials() {
			c.add("material", "%s|%s %s", m.GetLot(), m.GetQuantity().GetValue(), m.GetQuantity().GetUnitCode())
		}
		if !slices.Contains(byAnother, s.GetKind()) {
			c.worked(e.GetPerformer())
		}
	}
}
