package app

import (
	"context"
	"slices"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
)

// looks refuses a step of inspection to whoever took part in the work so far, however that was: a step, a reading, a run of the
// starter or a signature for it. Reason: SAME_PERSON.
func (u unit) looks(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, me string) error {
	if !slices.Contains(byAnother, step.GetKind()) {
		return nil
	}
	c, err := u.contentOf(ctx, o, u.now)
	if err == nil && slices.Contains(c.people, me) {
		return fault.Precondition("SAME_PERSON", "You did work of %s and can't inspect it in step %d. Ask another person to.", o.GetName(), step.GetPosition()).With("person", me)
	}
	return err
}

// apart refuses work to whoever looked at it before, so that nobody makes a look at the work of somebody else a look at the own
// work afterwards. Place is that of the step which is worked on, 0 for the work as a whole. Reason: SAME_PERSON.
func (u unit) apart(ctx context.Context, o *workordersv1.WorkOrder, me string, place int32) error {
	steps, err := u.stepsOf(ctx, o)
	for _, s := range steps {
		before := slices.ContainsFunc(s.GetEarlier(), func(e *workordersv1.EarlierStep) bool { return e.GetPerformer() == me })
		if s.GetPosition() > place && (s.GetPerformer() == me || before) && slices.Contains(byAnother, s.GetKind()) {
			return fault.Precondition("SAME_PERSON", "You looked at the work of %s in step %d and take no part in it. Leave that to who did the work.", o.GetName(), s.GetPosition()).
				With("person", me)
		}
	}
	return err
}
