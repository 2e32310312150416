package app

import (
	"context"
	"slices"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
)

// origin is what an interval counts from, with the limits that count from there; missing says what is not known of it.
type origin struct {
	base    due.Base
	tree    due.Tree
	missing string
	until   civil.Date // the first day on which it may be another; zero when none is known
	fitted  civil.Date // the fitting after it was last done that started it again; zero without
	past    civil.Date // the day on which it came off past, so that later fittings started nothing; zero without
}

// began is the day of the fitting or the overhaul that an interval counts from; zero where it counts from when it was done.
func (o origin) began(w *weighed) civil.Date {
	switch event := w.rule.GetStartEvent(); {
	case !o.fitted.IsZero():
		return o.fitted
	case event != compliancev1.Requirement_INSTALLATION && event != compliancev1.Requirement_OVERHAUL_DONE:
		return civil.Date{}
	case w.last != nil && !w.last.DoneDate.Before(o.base.Date):
		return civil.Date{}
	default:
		return o.base.Date
	}
}

const neverDone = "No record says when it was last done; it does not count as compliant"

// start finds what the interval counts from: the last time that it was done, or the start event when that came later or it was
// never done.
func (u unit) start(ctx context.Context, r *compliancev1.Requirement, s seen, done []*store.Record) (o origin, err error) {
	switch {
	case len(done) > 0 && r.GetStartEvent() == compliancev1.Requirement_INSTALLATION && policyOf(r) != due.FixedGrid:
		if classOf(r) != due.Programme {
			return u.besideFitted(ctx, r, s, done)
		}
		return u.sinceFitted(ctx, r, s, done)
	case len(done) > 0 && r.GetStartEvent() != compliancev1.Requirement_OVERHAUL_DONE:
		return lastDone(s, r, done), nil
	}
	o.tree = s.tree(r.GetInitial())
	if r.GetInitial() == nil {
		if stated(r) && len(done) == 0 {
			o.tree = s.tree(r.GetRepeat())
		} else if len(done) == 0 {
			return origin{missing: neverDone}, nil
		}
	}
	switch r.GetStartEvent() {
	case compliancev1.Requirement_INSTALLATION:
		err = u.fromInstallation(ctx, r, s, &o)
	case compliancev1.Requirement_OVERHAUL_DONE:
		return u.fromOverhaul(ctx, r, s, done)
	case compliancev1.Requirement_EFFECTIVE_DATE:
		o.base.Date = dateOf(r.GetEffectiveDate())
		err = u.countersFrom(ctx, s, &o, 0)
	case compliancev1.Requirement_MANUFACTURE:
		o.base.Date = madeOn(s.subject)
	case compliancev1.Requirement_START_EVENT_UNSPECIFIED, compliancev1.Requirement_LAST_DONE:
		o.base.Date = dateOf(r.GetEffectiveDate())
	}
	if o.missing == "" && o.base.Date.IsZero() && o.tree.CountsDays() {
		o.missing = "The requirement has no date to count from"
	}
	return o, err
}

// startedAgain reports whether what is done once after each start event has to be done once more: it was fitted or overhauled since it was last done.
func (u unit) startedAgain(ctx context.Context, s seen, w *weighed) (bool, error) {
	r, last := w.rule, w.last
	if last == nil || !s.tree(r.GetRepeat()).Empty() {
		return false, nil
	}
	switch r.GetStartEvent() {
	case compliancev1.Requirement_INSTALLATION:
		later, err := u.fittedLater(ctx, s)
		if err != nil {
			return false, err
		}
		w.until = sooner(w.until, later)
		fittings, err := u.fittingsThen(ctx, s)
		return len(fittings) > 0 && last.DoneDate.Before(dateOf(fittings[len(fittings)-1].GetInstallDate())), err
	case compliancev1.Requirement_OVERHAUL_DONE:
		overhaul, err := u.lastOverhaul(ctx, s)
		return overhaul != nil && !overhaul.DoneDate.Before(last.DoneDate), err
	case compliancev1.Requirement_START_EVENT_UNSPECIFIED, compliancev1.Requirement_LAST_DONE, compliancev1.Requirement_MANUFACTURE, compliancev1.Requirement_EFFECTIVE_DATE:
	}
	return false, nil
}

// stated reports whether the requirement says what its first interval starts at.
func stated(r *compliancev1.Requirement) bool {
	return r.GetStartEvent() != compliancev1.Requirement_START_EVENT_UNSPECIFIED && r.GetStartEvent() != compliancev1.Requirement_LAST_DONE
}

func lastDone(s seen, r *compliancev1.Requirement, done []*store.Record) origin {
	tree := s.tree(r.GetRepeat())
	return origin{tree: tree, base: baseOf(r, done, tree)}
}

// besideFitted is sinceFitted of a directive or a life limit, of which a fitting gives nothing back: what was left when it was fitted goes on beside what the
// fitting starts, and the sooner counts. Later fittings start nothing that would be sooner (14 CFR 39.7 and 39.11 for directives; for fittings our own reading).
func (u unit) besideFitted(ctx context.Context, r *compliancev1.Requirement, s seen, done []*store.Record) (origin, error) {
	was := lastDone(s, r, done)
	fittings, err := u.fittingsThen(ctx, s)
	if err != nil {
		return was, err
	}
	if was.until, err = u.fittedLater(ctx, s); err != nil {
		return was, err
	}
	last := done[len(done)-1].DoneDate
	fittings = slices.DeleteFunc(fittings, func(f *compliancev1.Fitting) bool { return !last.Before(dateOf(f.GetInstallDate())) })
	if len(fittings) == 0 {
		return was, nil
	}
	day := dateOf(fittings[0].GetInstallDate())
	o := origin{tree: s.firstTree(r), base: due.Base{Date: day}, until: was.until, fitted: day}
	err = u.countersFrom(ctx, s, &o, -1)
	o.tree = due.Tree{Trees: []due.Tree{o.tree, was.tree.From(was.base)}}
	return o, err
}

// firstFitted is the day of the fitting that what was never done of a directive or a life limit counts from: the first one since it was last done, of a
// directive the first of those that it was in force on. Later ones put nothing off.
func (u unit) firstFitted(ctx context.Context, r *compliancev1.Requirement, s seen) (day civil.Date, err error) {
	fittings, err := u.fittingsThen(ctx, s)
	done, effective := s.records.done[r.GetName()], dateOf(r.GetEffectiveDate())
	for _, f := range fittings {
		day = dateOf(f.GetInstallDate())
		switch {
		case len(done) > 0 && !done[len(done)-1].DoneDate.Before(day):
		case classOf(r) == due.Directive && day.Before(effective) && !thereThen(f, effective, s.known):
		default:
			return day, err
		}
	}
	return day, err
}

// firstTree are the first limits of a requirement, which are the repeated ones where it has no others.
func (s seen) firstTree(r *compliancev1.Requirement) due.Tree {
	if r.GetInitial() != nil {
		return s.tree(r.GetInitial())
	}
	return s.tree(r.GetRepeat())
}

const (
	notFitted = "It counts from the fitting, and it is not fitted to anything"
	noFitting = "It counts from the fitting, of which there is no record here; enter when it was last done"
)

// fittingsThen are the fittings of a subject through its day, oldest first, as far as they were known, also those that ended.
func (u unit) fittingsThen(ctx context.Context, s seen) (out []*compliancev1.Fitting, err error) {
	all, err := u.fittingsOf(ctx, s.subject.GetName())
	for _, f := range slices.Backward(all) {
		corrected := f.GetCorrectTime() != nil && !s.known.Before(f.GetCorrectTime().AsTime())
		if !corrected && !s.known.Before(f.GetCreateTime().AsTime()) && !s.today.Before(dateOf(f.GetInstallDate())) {
			out = append(out, f)
		}
	}
	return out, err
}

// fittedLater is the first day after today on which something is fitted or removed, as entered the evening before in a zone farther east; zero
// when there is none.
func (u unit) fittedLater(ctx context.Context, s seen) (first civil.Date, err error) {
	all, err := u.fittingsOf(ctx, s.subject.GetName())
	for _, f := range all {
		for _, day := range []civil.Date{dateOf(f.GetInstallDate()), dateOf(f.GetRemoveDate())} {
			if s.today.Before(day) {
				first = sooner(first, day)
			}
		}
	}
	return first, err
}

// countersFrom puts the counters at the end of the base's day, or of a day before it, into the base.
func (u unit) countersFrom(ctx context.Context, s seen, o *origin, days int) error {
	if !o.tree.CountsUse() || o.base.Date.IsZero() {
		return nil
	}
	counters, err := u.countersOn(ctx, s, o.base.Date, days)
	if counters == nil {
		o.missing = "It counts from the counters at the end of " + o.base.Date.AddDays(days).String() + ", which are not recorded here; enter when it was last done"
	}
	o.base.Counters = countersOf(counters)
	return err
}

// countersOn are the counters of a subject at the end of a day, or so many days from it; nil when they are not recorded.
func (u unit) countersOn(ctx context.Context, s seen, on civil.Date, days int) (*compliancev1.Counters, error) {
	current, err := u.read(ctx, s.subject.GetName())
	if err != nil {
		return nil, err
	}
	if current, err = u.lifeKnown(ctx, current, s); err != nil {
		return nil, err
	}
	counters, err := u.countersAt(ctx, current, on.AddDays(days), s.known)
	if err == nil && counters == nil && dateOf(current.GetEntryDate()) == on {
		counters = current.GetEntryCounters() // entered on the day itself
	}
	return counters, err
}

// fromOverhaul counts from the last overhaul or the last time that it was done, whichever came later: an overhaul starts the
// interval again (common practice, no source; the requirement says so itself).
func (u unit) fromOverhaul(ctx context.Context, r *compliancev1.Requirement, s seen, done []*store.Record) (origin, error) {
	overhaul, err := u.lastOverhaul(ctx, s)
	if err != nil {
		return origin{}, err
	}
	after := done
	if overhaul != nil {
		for len(after) > 0 && !overhaul.DoneDate.Before(after[0].DoneDate) {
			after = after[1:]
		}
	}
	switch {
	case len(after) > 0:
		return lastDone(s, r, after), nil
	case overhaul == nil:
		return origin{missing: "It counts from the last overhaul, of which there is no record here; enter when it was last done"}, nil
	}
	o := origin{tree: s.tree(r.GetInitial()), base: due.Base{Date: overhaul.DoneDate, Counters: overhaul.Counters}}
	if r.GetInitial() == nil {
		o.tree = s.tree(r.GetRepeat())
	}
	return o, nil
}

// lastOverhaul is the record of the last overhaul of a subject, nil when there is none.
func (u unit) lastOverhaul(ctx context.Context, s seen) (last *store.Record, err error) {
	for _, r := range s.rules {
		if r.GetKind() != compliancev1.Requirement_OVERHAUL {
			continue
		}
		done, err := u.corrected(ctx, s, s.records.done[r.GetName()])
		if err != nil {
			return nil, err
		}
		if n := len(done); n > 0 && (last == nil || last.DoneDate.Before(done[n-1].DoneDate)) {
			last = done[n-1]
		}
	}
	return last, nil
}
