// Package due computes what is left of a requirement and when it is due. Hours are whole seconds; nothing is rounded.
//
// Rules: a calendar limit's due date is its last permitted day; hours and cycles are projected to dates at a flying rate,
// rounded down to whole operating days; FIRST is due when any limit is reached, LATER when all are. What can't be told is
// NO_DATA and never counts as compliant.
package due

import "coldsection.example/services/compliance/internal/civil"

// Base is what an interval counts from.
type Base struct {
	Date     civil.Date
	Counters Counters
}

// Now is the state of the subject.
type Now struct {
	Today     civil.Date
	Counters  Counters
	Read      civil.Date // the last day that the counters speak of; zero when it is not known. What was not entered since counts as not flown
	Rate      Rate
	Plan      *Plan // what is going to be flown; nil is the rate every day
	Extension Extension
}

// Left is what is left of one limit.
type Left struct {
	Limit     Limit
	At        int64      // counter at which it is due
	Date      civil.Date // last permitted day, for calendar units
	Left      int64      // seconds, cycles or days; negative when past
	Grace     int64      // by how much it may be past, under an extension
	Projected civil.Date // when it is reached; zero when the rate gives none

	base *Base // what it was counted from
	now  *Now
}

// Compute works a limit out.
func (l Limit) Compute(base Base, now Now) Left { return l.compute(&base, &now) }

func (l Limit) compute(base *Base, now *Now) Left {
	out := Left{Limit: l, Grace: now.Extension.in(l.Unit, now.Today), base: base, now: now}
	if l.Unit.Calendar() {
		out.Date = l.date(base.Date)
		out.Left, out.Projected = int64(out.Date.Sub(now.Today)), out.Date
		return out
	}
	from := base.Counters.of(l.Unit)
	if l.SinceNew {
		from = 0
	}
	out.At = from + l.Amount
	out.Left = out.At - now.Counters.of(l.Unit)
	out.Projected = now.project(l.Unit, out.Left)
	return out
}

// Result is a tree worked out.
type Result struct {
	Band    Band
	Date    civil.Date // projected; zero when there is none
	Driving int        // index in Left of what drives it; -1 when nothing does
	Left    []Left

	tree   Tree
	near   Threshold
	unsaid bool // a limit does not say what it counts
}

// Compute works a tree out.
func (t Tree) Compute(base Base, now Now, threshold Threshold) Result {
	return t.ComputeOn(&Slate{}, base, now, threshold)
}

// Slate is where a tree is worked out. The result is good until another one is worked out on it.
type Slate struct {
	base Base
	now  Now
	left []Left
}

// ComputeOn is Compute for many trees, each of which is done with before the next.
func (t Tree) ComputeOn(slate *Slate, base Base, now Now, threshold Threshold) Result {
	slate.base, slate.now = base, now
	if slate.left == nil {
		slate.left = make([]Left, 0, max(2, len(t.Limits)))
	}
	r := t.compute(&slate.base, &slate.now, threshold, slate.left[:0])
	if r.unsaid {
		r = Result{Driving: -1, Band: NoData, unsaid: true}
	}
	r.tree, r.near = t, threshold
	return r
}

// compute adds its limits to those that were worked out already.
func (t Tree) compute(base *Base, now *Now, threshold Threshold, all []Left) Result {
	r := Result{Driving: -1, Left: all}
	for _, l := range t.Limits {
		r.unsaid = r.unsaid || !l.Unit.Known()
		left := l.compute(base, now)
		r.Left = append(r.Left, left)
		r.take(part{left.band(threshold), left.Projected, len(r.Left) - 1}, t.Later)
	}
	for _, sub := range t.Trees {
		got := sub.compute(base, now, threshold, r.Left)
		r.Left, r.unsaid = got.Left, r.unsaid || got.unsaid
		r.take(part{got.Band, got.Date, got.Driving}, t.Later)
	}
	return r
}

// part is what one limit or tree comes to; driving is -1 for a tree without limits.
type part struct {
	band    Band
	date    civil.Date
	driving int
}

// take adds a part; the part binds when it is reached sooner (FIRST) or later (LATER) than what bound so far. The band is the worse or the
// better one by itself: 20 days to go are near, and yet 30 hours that are flown in three days come first.
func (r *Result) take(p part, later bool) {
	switch {
	case p.driving < 0:
		return
	case r.Driving < 0:
		r.Band, r.Date, r.Driving = p.band, p.date, p.driving
		return
	}
	band := r.Band
	if a, b := severity(p.band), severity(band); a != b && (a > b) != later {
		band = p.band
	}
	if r.yields(p, later) {
		r.Date, r.Driving = p.date, p.driving
	}
	r.Band = band
}

// yields reports whether a part binds rather than what bound so far: what is reached already is sooner than any day.
func (r *Result) yields(p part, later bool) bool {
	if a, b := reached(p.band), reached(r.Band); a != b {
		return (a > b) != later
	}
	if a, b := &r.Left[p.driving], &r.Left[r.Driving]; a.Limit.Unit == b.Limit.Unit && !a.Limit.Unit.Calendar() {
		return a.Left != b.Left && (a.Left < b.Left) != later
	}
	if p.date.IsZero() || r.Date.IsZero() {
		return r.Date.IsZero() != later && !p.date.IsZero() != later
	}
	if p.date == r.Date {
		return false
	}
	return p.date.Before(r.Date) != later
}
