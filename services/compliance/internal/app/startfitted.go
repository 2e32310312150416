package app

import (
	"cmp"
	"context"
	"slices"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
)

// refit is a fitting with where it was before, and the day on which that ended; nothing without one before.
type refit struct {
	on, off civil.Date
	was     string
}

// refits are the fittings of a subject after a day, oldest first; zero is all.
func (u unit) refits(ctx context.Context, s seen, after civil.Date) (out []refit, err error) {
	fittings, err := u.fittingsThen(ctx, s)
	var off civil.Date
	was := ""
	for _, f := range fittings {
		if on := dateOf(f.GetInstallDate()); after.IsZero() || after.Before(on) {
			out = append(out, refit{on, off, was})
		}
		off, was = dateOf(f.GetRemoveDate()), f.GetHost()
	}
	return out, err
}

// sinceFitted follows what is done again and again after each fitting through its fittings and every time that it was done: a fitting starts a new
// period with the first limits, so that what was done before it no longer counts. By the policy for what is late, what was due before a fitting counts on
// from when it was due, as if the fitting had done it late. What was past when it came off is not started again by a fitting: taking a part off and putting
// it back does no work. On the day of a fitting it is done after it.
func (u unit) sinceFitted(ctx context.Context, r *compliancev1.Requirement, s seen, done []*store.Record) (origin, error) {
	fittings, err := u.refits(ctx, s, done[0].DoneDate)
	if err != nil {
		return origin{}, err
	}
	repeat, policy := s.tree(r.GetRepeat()), policyOf(r)
	o := origin{tree: repeat, base: doneAt(done[0])}
	for done = done[1:]; len(done) > 0 || len(fittings) > 0; {
		if len(fittings) == 0 || len(done) > 0 && done[0].DoneDate.Before(fittings[0].on) {
			o = origin{tree: repeat, base: policy.Next(o.base, doneAt(done[0]), o.tree)}
			done = done[1:]
			continue
		}
		if o, err = u.refitted(ctx, r, s, o, fittings[0]); err != nil {
			return o, err
		}
		fittings = fittings[1:]
	}
	if !o.fitted.IsZero() {
		host, err := u.hostThen(ctx, s.subject.GetName(), s)
		if err != nil {
			return o, err
		}
		if host == nil {
			o.missing = notFitted
		}
	}
	o.until, err = u.fittedLater(ctx, s)
	return o, err
}

// refitted is what an interval counts from after a fitting.
func (u unit) refitted(ctx context.Context, r *compliancev1.Requirement, s seen, was origin, f refit) (origin, error) {
	fresh := origin{tree: s.firstTree(r), base: due.Base{Date: f.on}, fitted: f.on}
	past, err := u.cameOffPast(ctx, r, s, was, f)
	if err != nil {
		return fresh, err
	}
	if past {
		was.past = f.off
		return was, nil
	}
	if err := u.countersFrom(ctx, s, &fresh, -1); err != nil {
		return fresh, err
	}
	if fresh.base = policyOf(r).Next(was.base, fresh.base, was.tree); fresh.missing != "" {
		fresh.base = due.Base{}
	}
	return fresh, nil
}

// cameOffPast reports whether something was past, by the limits of today, on the day that it came off before a fitting. Where the counters of then are not
// known it can't be told, and what the fitting starts counts. What nobody held it against yet was not past: the requirement was not in force, or it was
// entered later and no record says that it was done before; or it did not apply where the subject was.
func (u unit) cameOffPast(ctx context.Context, r *compliancev1.Requirement, s seen, was origin, f refit) (bool, error) {
	if f.off.IsZero() || was.missing != "" || was.base.Date.IsZero() || f.off.Before(dateOf(r.GetEffectiveDate())) {
		return false, nil
	}
	entered := civil.Of(r.GetCreateTime().AsTime().In(cmp.Or(s.zone, time.UTC)))
	if done := s.records.done[r.GetName()]; f.off.Before(entered) && (len(done) == 0 || !done[0].DoneDate.Before(f.off)) {
		return false, nil
	}
	then := due.Now{Today: f.off}
	if was.tree.CountsUse() || was.tree.CountsTotals() {
		counters, err := u.countersOn(ctx, s, f.on, -1) // nothing is flown between
		if err != nil || counters == nil {
			return false, err
		}
		then.Counters = countersOf(counters)
	}
	if was.tree.Compute(was.base, then, due.Threshold{}).Band != due.Overdue {
		return false, nil
	}
	if !was.past.IsZero() {
		return true, nil // past since it came off elsewhere
	}
	there, err := u.lastIn(ctx, s, f)
	return applies(r, there).answer != apply.No, err
}

// lastIn is a subject in the engine and on the aircraft that it was in before a fitting; one that came out of an engine in the shop was on the aircraft that
// the engine came from.
func (u unit) lastIn(ctx context.Context, s seen, f refit) (seen, error) {
	ctx, host := unlimited(ctx), f.was
	if s.plane = nil; kindOf(s.subject.GetName()) != compliancev1.Applicability_ENGINES {
		s.engine = nil
	}
	for {
		switch kindOf(host) {
		case compliancev1.Applicability_AIRCRAFT:
			plane, err := u.aircraft(ctx, host)
			s.plane = plane
			return s, err
		case compliancev1.Applicability_ENGINES:
			engine, err := u.read(ctx, host)
			if s.engine, _ = engine.(*compliancev1.Engine); err != nil {
				return s, err
			}
		case compliancev1.Applicability_COMPONENTS, compliancev1.Applicability_SUBJECT_KIND_UNSPECIFIED:
		}
		fittings, err := u.fittingsOf(ctx, host)
		i := slices.IndexFunc(fittings, func(h *compliancev1.Fitting) bool {
			corrected := h.GetCorrectTime() != nil && !s.known.Before(h.GetCorrectTime().AsTime())
			return !corrected && !s.known.Before(h.GetCreateTime().AsTime()) && dateOf(h.GetInstallDate()).Before(f.off)
		})
		if err != nil || i < 0 {
			return s, err
		}
		host = fittings[i].GetHost()
	}
}

func (u unit) fromInstallation(ctx context.Context, r *compliancev1.Requirement, s seen, o *origin) error {
	host, err := u.hostThen(ctx, s.subject.GetName(), s)
	if err != nil {
		return err
	}
	if o.until, err = u.fittedLater(ctx, s); err != nil {
		return err
	}
	if host.GetInstallDate() == nil {
		before, err := u.fittingsThen(ctx, s)
		if o.missing = noFitting; host == nil && len(before) > 0 {
			o.missing = notFitted
		}
		return err
	}
	if classOf(r) == due.Programme {
		return u.sinceFirstFitted(ctx, r, s, o)
	}
	if o.base.Date, err = u.firstFitted(ctx, r, s); err != nil {
		return err
	}
	if o.base.Date.IsZero() {
		o.missing = noFitting
	}
	return u.countersFrom(ctx, s, o, -1)
}

// sinceFirstFitted is sinceFitted of what was never done, or not since the fittings that ask for it once more: the last fitting counts, unless it came off
// past before.
func (u unit) sinceFirstFitted(ctx context.Context, r *compliancev1.Requirement, s seen, o *origin) error {
	var after civil.Date
	if done := s.records.done[r.GetName()]; len(done) > 0 {
		after = done[len(done)-1].DoneDate
	}
	fittings, err := u.refits(ctx, s, after)
	if err != nil {
		return err
	}
	if len(fittings) == 0 {
		return u.countersFrom(ctx, s, o, -1)
	}
	was := *o
	was.base = due.Base{}
	for _, f := range fittings {
		past, err := u.cameOffPast(ctx, r, s, was, f)
		if err != nil {
			return err
		}
		if past {
			was.past = f.off
			continue
		}
		was = *o
		was.base.Date = f.on
		if err := u.countersFrom(ctx, s, &was, -1); err != nil {
			return err
		}
	}
	*o = was
	return nil
}
