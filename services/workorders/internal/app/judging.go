package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/store"
)

// judgeAnew keeps the correction of a run and judges the runs of its order as if it had been entered right at first: each among those that were entered
// before it. Runs of other orders stay as they were judged, as somebody may have signed them. Reason: RUNS_OVERLAP.
func (u unit) judgeAnew(ctx context.Context, o *workordersv1.WorkOrder, corrected *workordersv1.MotoringRun, duty []motoring.Duty, p *workordersv1.WashPlan) error {
	entries, err := u.runEntries(ctx, o.GetEngine(), o.GetStartTime().AsTime().Add(-2*series))
	if err != nil {
		return err
	}
	line := entered(append(entries, corrected))
	if counts(corrected) {
		if err := overlapping(line.beside(corrected).uses(duty), motoring.Run{Start: corrected.GetStartTime().AsTime(), End: corrected.GetEndTime().AsTime()}); err != nil {
			return err
		}
		if corrected.ExceedanceText, err = u.judgeAmong(ctx, o, corrected, line.before(corrected).uses(duty), duty, p); err != nil {
			return err
		}
	}
	corrected.Exceedance = corrected.GetExceedanceText() != ""
	if err := store.Runs.Insert(ctx, u.Tx, corrected, u.now); err != nil {
		return err
	}
	if err := u.tellRun(ctx, o, corrected, ""); err != nil {
		return err
	}
	for _, r := range entries {
		if !counts(r) || orderOf(r.GetName()) != o.GetName() {
			continue
		}
		text, err := u.judgeAmong(ctx, o, r, line.before(r).uses(duty), duty, p)
		if err != nil {
			return err
		}
		if err := u.keepJudged(ctx, o, r, text, corrected.GetName()); err != nil {
			return err
		}
	}
	return nil
}

// keepJudged keeps and tells what a run breaks now, unless that is what it broke before.
func (u unit) keepJudged(ctx context.Context, o *workordersv1.WorkOrder, r *workordersv1.MotoringRun, text, after string) error {
	if text == r.GetExceedanceText() {
		return nil
	}
	r.ExceedanceText, r.Exceedance = text, text != ""
	if err := store.Runs.Save(ctx, u.Tx, r, u.now); err != nil {
		return err
	}
	return u.tellRun(ctx, o, r, after)
}

// entered are the entries of a starter's runs, also those that were corrected.
type entered []*workordersv1.MotoringRun

// first is the entry of a run as it was made at first, before it was corrected.
func (e entered) first(r *workordersv1.MotoringRun) *workordersv1.MotoringRun {
	for _, before := range e {
		if r.GetSupersedes() != "" && before.GetName() == r.GetSupersedes() {
			return e.first(before)
		}
	}
	return r
}

// beside are the runs of the starter that count beside one.
func (e entered) beside(r *workordersv1.MotoringRun) (others entered) {
	for _, other := range e {
		if other != r && counts(other) && !other.GetStartTime().AsTime().Before(r.GetStartTime().AsTime().Add(-series)) {
			others = append(others, other)
		}
	}
	return others
}

// before are those of the runs beside one that were entered before it at first; of two at the same instant, by their names.
func (e entered) before(r *workordersv1.MotoringRun) (others entered) {
	own := e.first(r)
	for _, other := range e.beside(r) {
		at := e.first(other)
		if c := at.GetCreateTime().AsTime().Compare(own.GetCreateTime().AsTime()); c < 0 || c == 0 && at.GetName() < own.GetName() {
			others = append(others, other)
		}
	}
	return others
}

func (e entered) uses(duty []motoring.Duty) []motoring.Run {
	runs := make([]motoring.Run, len(e))
	for i, r := range e {
		runs[i] = useOf(duty, r)
	}
	return runs
}
