package app

import (
	"context"
	"slices"
	"time"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/store"
)

// mayRead says whether a reading, or the correction of one, may be entered on a step now. Its time is known. Reasons: STATE_NOT_ALLOWED,
// CAUTIONS_NOT_ACKNOWLEDGED, STEP_ORDER, READING_ENTERED_ALREADY, ALREADY_SIGNED, TIME_OUT_OF_ORDER.
func (u unit) mayRead(ctx context.Context, o *workordersv1.WorkOrder, step *workordersv1.Step, m *workordersv1.Measurement, me string) error {
	if m.GetSupersedes() != "" { // the entry is corrected, and nothing done at the engine
		return mayCorrect(step, m)
	}
	if err := u.mayWorkOn(ctx, o, step, me); err != nil {
		return err
	}
	if step.GetState() != workordersv1.Step_OPEN {
		return fault.Precondition("STATE_NOT_ALLOWED", "Step %d is %s, and takes no more readings. Correct the reading that is wrong, or open the step again and read anew.",
			step.GetPosition(), step.GetState()).With("state", step.GetState().String())
	}
	return u.readOnce(ctx, step, m)
}

// mayCorrect refuses the correction of a reading that a signature covers, and a time at which the step was done already. Reasons: ALREADY_SIGNED,
// TIME_OUT_OF_ORDER.
func mayCorrect(step *workordersv1.Step, m *workordersv1.Measurement) error {
	switch at := step.GetCompleteTime(); {
	case step.GetSignature() != "":
		return fault.Precondition("ALREADY_SIGNED", "Step %d is signed, with its readings. Open the step again, which ends that signature, and read anew.", step.GetPosition()).
			With("signature", step.GetSignature())
	case at != nil && m.GetMeasureTime().AsTime().After(at.AsTime().Add(leeway)):
		return fault.Invalid("measure_time", "TIME_OUT_OF_ORDER",
			"Step %d was done at %s, and a reading of it was taken before. Give the time of the reading, or open the step again and read anew.", step.GetPosition(), at.AsTime().Format(time.RFC3339))
	default:
		return nil
	}
}

// readOnce refuses what was written on the fallback sheet and is entered already: the sheet has one row for each reading of a step, so a second
// entry of it is the same row, whoever enters it; and a reading that is entered at the minute of the sheet is that row, too. A reading that was taken
// again with the device in hand has its own time, and stays. Reason: READING_ENTERED_ALREADY.
func (u unit) readOnce(ctx context.Context, step *workordersv1.Step, m *workordersv1.Measurement) error {
	condition, args := store.Under(orderOf(m.GetName()) + "/measurements")
	taken, err := store.Measured.Where(ctx, u.Tx, condition+" AND step = $3 AND successor = ''", append(args, step.GetName())...)
	i := slices.IndexFunc(taken, func(other *workordersv1.Measurement) bool {
		return other.GetKey() == m.GetKey() && anew(step, other) && sameRow(other, m)
	})
	if err != nil || i < 0 {
		return err
	}
	before := taken[i]
	return fault.Precondition("READING_ENTERED_ALREADY",
		"%s of step %d is entered already as %s %s, taken %s, by %s: the sheet has one row for it. Correct that entry if it is wrong, or if it was read again afterwards.",
		specOf(step, m.GetKey()).GetDisplayName(), step.GetPosition(), before.GetEntered().GetText(), before.GetEntered().GetUnitCode(),
		before.GetMeasureTime().AsTime().Format(time.RFC3339), before.GetPerson()).With("measurement", before.GetName())
}

// sameRow says that two readings of one kind are one row of the fallback sheet, whose times are written to the minute.
func sameRow(a, b *workordersv1.Measurement) bool {
	if a.GetPaperEntry() && b.GetPaperEntry() {
		return true
	}
	minute := func(m *workordersv1.Measurement) time.Time { return m.GetMeasureTime().AsTime().Truncate(time.Minute) }
	return (a.GetPaperEntry() || b.GetPaperEntry()) && minute(a).Equal(minute(b))
}
