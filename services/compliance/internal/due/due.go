// Package due computes what is left of a requirement and when it is due. Hours are whole seconds; nothing is rounded.
//
// Rules: a calendar limit's due date is its last permitted day; hours and cycles are projected to dates at a flying rate,
// rounded down to whole operating days; FIRST is due when any limit is reached, LATER when all are. What can't be told is
// NO_DATA and never counts as compliant.
package due

import (
	"slices"
	"strconv"

	"coldsection.example/services/compliance/internal/civil"
)

// Unit is what a limit counts.
type Unit int

// The units; hours count seconds.
const (
	Hours Unit = iota + 1
	Cycles
	CalendarMonthsEnd
	Months
	Days
	FixedDate
	Starts
)

// Calendar reports whether the unit is counted in days rather than on a counter.
func (u Unit) Calendar() bool {
	return u == CalendarMonthsEnd || u == Months || u == Days || u == FixedDate
}

// Driver is the word for what drives a due date.
func (u Unit) Driver() string {
	switch u {
	case Hours:
		return "hours"
	case Cycles:
		return "cycles"
	case Starts:
		return "starts"
	default:
		return "calendar"
	}
}

// Limit is one limit.
type Limit struct {
	Unit     Unit
	Amount   int64
	Fixed    civil.Date
	SinceNew bool // counters count from new, whatever the base is
}

// Tree combines limits: Later means whichever is reached last, else whichever first.
type Tree struct {
	Later  bool
	Limits []Limit
	Trees  []Tree
}

// Empty reports whether the tree has no limit.
func (t Tree) Empty() bool { return len(t.Limits) == 0 && len(t.Trees) == 0 }

// Equal reports whether two trees are the same, limit by limit.
func (t Tree) Equal(o Tree) bool {
	return t.Later == o.Later && slices.Equal(t.Limits, o.Limits) && slices.EqualFunc(t.Trees, o.Trees, Tree.Equal)
}

// CountsDays reports whether a limit counts days or months from its base.
func (t Tree) CountsDays() bool {
	return slices.ContainsFunc(t.Limits, func(l Limit) bool { return l.Unit.Calendar() && l.Unit != FixedDate }) || slices.ContainsFunc(t.Trees, Tree.CountsDays)
}

// CountsUse reports whether a limit counts hours, cycles or starts from its base, rather than from new.
func (t Tree) CountsUse() bool {
	return slices.ContainsFunc(t.Limits, func(l Limit) bool { return !l.Unit.Calendar() && !l.SinceNew }) || slices.ContainsFunc(t.Trees, Tree.CountsUse)
}

// CountsTotals reports whether a limit counts hours, cycles or starts from new.
func (t Tree) CountsTotals() bool {
	return slices.ContainsFunc(t.Limits, func(l Limit) bool { return !l.Unit.Calendar() && l.SinceNew }) || slices.ContainsFunc(t.Trees, Tree.CountsTotals)
}

// Counts reports whether a limit is in a unit.
func (t Tree) Counts(u Unit) bool {
	return slices.ContainsFunc(t.Limits, func(l Limit) bool { return l.Unit == u }) || slices.ContainsFunc(t.Trees, func(sub Tree) bool { return sub.Counts(u) })
}

// Counters are readings of the counters.
type Counters struct{ Seconds, Cycles, Starts int64 }

func (c Counters) of(u Unit) int64 {
	switch u {
	case Hours:
		return c.Seconds
	case Cycles:
		return c.Cycles
	default:
		return c.Starts
	}
}

// at is where a counter is kept.
func (c *Counters) at(u Unit) *int64 {
	switch u {
	case Hours:
		return &c.Seconds
	case Cycles:
		return &c.Cycles
	default:
		return &c.Starts
	}
}

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

// Line is the arithmetic of a limit, to be redone by hand.
func (l Left) Line() string {
	text, unit, now := l.Limit.text(), l.Limit.Unit, l.now
	if unit.Calendar() {
		return unit.Driver() + ": " + l.base.Date.String() + " + " + text + " = " + l.Date.String() + ", " + digits(l.Left) + " days from " + now.Today.String() +
			l.extended(now.Extension.Stop)
	}
	word := "from"
	if l.Limit.SinceNew {
		word = "from new,"
	}
	return unit.Driver() + ": " + word + " " + amount(unit, l.At-l.Limit.Amount) + " + " + text + " = " + amount(unit, l.At) +
		", now " + amount(unit, now.Counters.of(unit)) + now.age() + ", left " + amount(unit, l.Left) + now.rateLine(unit, l) + l.extended(now.Extension.Stop)
}

// age says which day the counters are of, where that is not today: who reads it knows what may have been flown since.
func (n *Now) age() string {
	if n.Read.IsZero() || !n.Read.Before(n.Today) {
		return ""
	}
	return " as of " + n.Read.String()
}

func (l Limit) date(from civil.Date) civil.Date {
	switch l.Unit {
	case CalendarMonthsEnd:
		return from.EndOfMonth(int(l.Amount))
	case Months:
		return from.AddMonths(int(l.Amount))
	case Days:
		return from.AddDays(int(l.Amount))
	default:
		return l.Fixed
	}
}

func (l Limit) text() string {
	switch l.Unit {
	case CalendarMonthsEnd:
		return digits(l.Amount) + " calendar months (to the month's end)"
	case Months:
		return digits(l.Amount) + " months"
	case Days:
		return digits(l.Amount) + " days"
	case FixedDate:
		return "the fixed date " + l.Fixed.String()
	default:
		return amount(l.Unit, l.Amount)
	}
}

// digits are a whole number. Explanations of whole fleets are made of them at once, which formatting by verbs would make half as slow again.
func digits(n int64) string { return strconv.FormatInt(n, 10) }

// two are the two digits of a number below a hundred.
func two(n int64) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }

func amount(u Unit, n int64) string {
	if u != Hours {
		return digits(n)
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	if n%60 != 0 {
		return sign + digits(n/3600) + ":" + two(n%3600/60) + ":" + two(n%60) + " h"
	}
	return sign + digits(n/3600) + ":" + two(n%3600/60) + " h"
}

// Band is how near something is.
type Band string

// The bands.
const (
	Current Band = "CURRENT"
	Near    Band = "NEAR"
	Due     Band = "DUE"
	Overdue Band = "OVERDUE"
	Exempt  Band = "EXEMPT"
	NoData  Band = "NO_DATA"
	// InTolerance is past, within an extension.
	InTolerance Band = "IN_TOLERANCE"
	// Attention is past a soft life.
	Attention Band = "ATTENTION"
)

// Threshold says when something counts as near.
type Threshold struct{ Days, Seconds, Cycles int64 }

// DefaultThreshold is 30 days, 25 hours, 25 cycles.
var DefaultThreshold = Threshold{Days: 30, Seconds: 25 * 3600, Cycles: 25}

func (l Left) band(t Threshold) Band {
	near := t.Cycles
	switch {
	case l.Limit.Unit.Calendar():
		near = t.Days
	case l.Limit.Unit == Hours:
		near = t.Seconds
	}
	switch {
	case l.Left < 0 && l.Left+l.Grace >= 0:
		return InTolerance
	case l.Left < 0:
		return Overdue
	case l.Left == 0:
		return Due
	case l.Left <= near:
		return Near
	default:
		return Current
	}
}

// severity orders the bands; those that a limit can't have count as current.
func severity(b Band) int {
	switch b {
	case Near:
		return 1
	case Due:
		return 2
	case InTolerance:
		return 3
	case Overdue:
		return 4
	case Current, Exempt, NoData:
		return 0
	default:
		return 0
	}
}

// reached is the severity of a limit that is reached, and 0 of one that is still ahead, however near.
func reached(b Band) int {
	if s := severity(b); s > severity(Near) {
		return s
	}
	return 0
}

// Result is a tree worked out.
type Result struct {
	Band    Band
	Date    civil.Date // projected; zero when there is none
	Driving int        // index in Left of what drives it; -1 when nothing does
	Left    []Left

	tree Tree
	near Threshold
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
	r.tree, r.near = t, threshold
	return r
}

// compute adds its limits to those that were worked out already.
func (t Tree) compute(base *Base, now *Now, threshold Threshold, all []Left) Result {
	r := Result{Driving: -1, Left: all}
	for _, l := range t.Limits {
		left := l.compute(base, now)
		r.Left = append(r.Left, left)
		r.take(part{left.band(threshold), left.Projected, len(r.Left) - 1}, t.Later)
	}
	for _, sub := range t.Trees {
		got := sub.compute(base, now, threshold, r.Left)
		r.Left = got.Left
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

// Rebase is what the next interval counts from once it was done.
type Rebase int

// The policies.
const (
	FromDone Rebase = iota
	FromDueIfLate
	FixedGrid
)

// Next is the base of the next interval: from when it was done, or per unit from when it was due. Of several limits in one unit the one that was due
// first counts, wherever it stands in the tree: nothing lasts longer for it.
func (p Rebase) Next(previous Base, done Base, limits Tree) Base {
	if p == FromDone || previous.Date.IsZero() {
		return done
	}
	next := done
	var moved [4]bool
	p.rebase(&next, &moved, previous, done, limits)
	return next
}

// rebase moves the base to where the limits of a tree were due; moved says which of its parts were moved already.
func (p Rebase) rebase(next *Base, moved *[4]bool, previous, done Base, limits Tree) {
	for _, l := range limits.Limits {
		switch {
		case l.Unit == FixedDate || l.SinceNew: // counts from no base
		case l.Unit.Calendar():
			if d := l.date(previous.Date); (p == FixedGrid || d.Before(done.Date)) && (!moved[0] || d.Before(next.Date)) {
				next.Date, moved[0] = d, true
			}
		default:
			at, to, been := previous.Counters.of(l.Unit)+l.Amount, next.Counters.at(l.Unit), &moved[slot(l.Unit)]
			if (p == FixedGrid || at < done.Counters.of(l.Unit)) && (!*been || at < *to) {
				*to, *been = at, true
			}
		}
	}
	for _, sub := range limits.Trees {
		p.rebase(next, moved, previous, done, sub)
	}
}

// slot is the place of a counter among the parts of a base.
func slot(u Unit) int {
	switch u {
	case Hours:
		return 1
	case Cycles:
		return 2
	default:
		return 3
	}
}
