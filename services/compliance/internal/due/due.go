// Package due computes what is left of a requirement and when it is due. Hours are whole seconds; nothing is rounded.
//
// Rules: a calendar limit's due date is its last permitted day; hours and cycles are projected to dates at a flying rate,
// rounded down to whole operating days; FIRST is due when any limit is reached, LATER when all are. What can't be told is
// NO_DATA and never counts as compliant.
package due

import (
	"fmt"
	"slices"
	"strings"

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

// Base is what an interval counts from.
type Base struct {
	Date     civil.Date
	Counters Counters
}

// Now is the state of the subject.
type Now struct {
	Today     civil.Date
	Counters  Counters
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
	Line      string     // the arithmetic
}

// Compute works a limit out.
func (l Limit) Compute(base Base, now Now) Left {
	out := Left{Limit: l, Grace: now.Extension.in(l.Unit, now.Today)}
	if l.Unit.Calendar() {
		out.Date = l.date(base.Date)
		out.Left, out.Projected = int64(out.Date.Sub(now.Today)), out.Date
		out.Line = fmt.Sprintf("%s: %s + %s = %s, %d days from %s", l.Unit.Driver(), base.Date, l.text(), out.Date, out.Left, now.Today)
		out.Line += out.extended(now.Extension.Stop)
		return out
	}
	from, word := base.Counters.of(l.Unit), "done at"
	if l.SinceNew {
		from, word = 0, "new at"
	}
	out.At = from + l.Amount
	out.Left = out.At - now.Counters.of(l.Unit)
	out.Projected = now.project(l.Unit, out.Left)
	out.Line = fmt.Sprintf("%s: %s %s + %s = %s, now %s, left %s%s", l.Unit.Driver(), word, amount(l.Unit, from), l.text(), amount(l.Unit, out.At),
		amount(l.Unit, now.Counters.of(l.Unit)), amount(l.Unit, out.Left), now.rateLine(l.Unit, out))
	out.Line += out.extended(now.Extension.Stop)
	return out
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
		return fmt.Sprintf("%d calendar months (to the month's end)", l.Amount)
	case Months:
		return fmt.Sprintf("%d months", l.Amount)
	case Days:
		return fmt.Sprintf("%d days", l.Amount)
	case FixedDate:
		return "the fixed date " + l.Fixed.String()
	default:
		return amount(l.Unit, l.Amount)
	}
}

func amount(u Unit, n int64) string {
	if u != Hours {
		return fmt.Sprintf("%d", n)
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	text := fmt.Sprintf("%s%d:%02d", sign, n/3600, n%3600/60)
	if n%60 != 0 {
		text += fmt.Sprintf(":%02d", n%60)
	}
	return text + " h"
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

var severity = map[Band]int{Current: 0, Near: 1, Due: 2, InTolerance: 3, Overdue: 4}

// Result is a tree worked out.
type Result struct {
	Band    Band
	Date    civil.Date // projected; zero when there is none
	Driving int        // index in Left of what drives it; -1 when nothing does
	Left    []Left
	Lines   []string
}

// Compute works a tree out.
func (t Tree) Compute(base Base, now Now, threshold Threshold) Result {
	r := Result{Driving: -1}
	for _, l := range t.Limits {
		left := l.Compute(base, now)
		r.take(Result{Band: left.band(threshold), Date: left.Projected, Driving: 0, Left: []Left{left}, Lines: []string{left.Line}}, t.Later)
	}
	for _, sub := range t.Trees {
		r.take(sub.Compute(base, now, threshold), t.Later)
	}
	return r
}

// take adds a part; the part binds when it is worse (FIRST) or better (LATER) than what bound so far.
func (r *Result) take(part Result, later bool) {
	offset := len(r.Left)
	r.Left, r.Lines = append(r.Left, part.Left...), append(r.Lines, part.Lines...)
	if part.Driving < 0 {
		return
	}
	if r.Driving < 0 || binds(part, *r, later) {
		r.Band, r.Date, r.Driving = part.Band, part.Date, offset+part.Driving
	}
}

func binds(a, b Result, later bool) bool {
	if sa, sb := severity[a.Band], severity[b.Band]; sa != sb {
		return (sa > sb) != later
	}
	if la, lb := a.Left[a.Driving], b.Left[b.Driving]; la.Limit.Unit == lb.Limit.Unit && !la.Limit.Unit.Calendar() {
		return la.Left != lb.Left && (la.Left < lb.Left) != later
	}
	if a.Date.IsZero() || b.Date.IsZero() {
		return b.Date.IsZero() != later && !a.Date.IsZero() != later
	}
	if a.Date == b.Date {
		return false
	}
	return a.Date.Before(b.Date) != later
}

// Explain is one line of arithmetic.
func (r Result) Explain() string {
	if r.Driving < 0 {
		return "No limit is set, so nothing can be told."
	}
	text := strings.Join(r.Lines, "; ") + "."
	if d := r.Left[r.Driving]; !r.Date.IsZero() {
		return text + fmt.Sprintf(" Driven by %s: due %s.", d.Limit.Unit.Driver(), r.Date)
	}
	return text
}

// Rebase is what the next interval counts from once it was done.
type Rebase int

// The policies.
const (
	FromDone Rebase = iota
	FromDueIfLate
	FixedGrid
)

// Next is the base of the next interval: from when it was done, or per unit from when it was due.
func (p Rebase) Next(previous Base, done Base, limits Tree) Base {
	if p == FromDone || previous.Date.IsZero() {
		return done
	}
	next := done
	for _, l := range limits.Limits {
		if l.Unit.Calendar() {
			if d := l.date(previous.Date); p == FixedGrid || d.Before(done.Date) {
				next.Date = d
			}
			continue
		}
		at := previous.Counters.of(l.Unit) + l.Amount
		if p != FixedGrid && at >= done.Counters.of(l.Unit) {
			continue
		}
		switch l.Unit {
		case Hours:
			next.Counters.Seconds = at
		case Cycles:
			next.Counters.Cycles = at
		default:
			next.Counters.Starts = at
		}
	}
	return next
}
