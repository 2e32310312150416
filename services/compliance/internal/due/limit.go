package due

import (
	"slices"

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

// Known reports whether it is one of the units. Another one, such as that of a limit that was stored without, counts nothing that can be told.
func (u Unit) Known() bool { return u >= Hours && u <= Starts }

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
	case CalendarMonthsEnd, Months, Days, FixedDate:
		return "calendar"
	default:
		return "nothing"
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

// Unsaid reports whether a limit does not say what it counts: of its tree nothing can be told then, not even of the limits beside it.
func (t Tree) Unsaid() bool {
	return slices.ContainsFunc(t.Limits, func(l Limit) bool { return !l.Unit.Known() }) || slices.ContainsFunc(t.Trees, Tree.Unsaid)
}

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

// of is the counter of a unit; 0 of what counts on none.
func (c Counters) of(u Unit) int64 {
	if at := c.at(u); at != nil {
		return *at
	}
	return 0
}

// at is where a counter is kept, nil of a unit that counts on none.
func (c *Counters) at(u Unit) *int64 {
	switch u {
	case Hours:
		return &c.Seconds
	case Cycles:
		return &c.Cycles
	case Starts:
		return &c.Starts
	default:
		return nil
	}
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
