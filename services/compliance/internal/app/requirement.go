package app

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/platform/fault"
)

// checkRequirement refuses what a requirement can't be held against. Bounds of amounts are asked of what it did not say before, so that one of before
// they were can be revised. Reasons: TOLERANCE_NOT_ALLOWED, LIMIT_INVALID, DATE_INVALID.
func checkRequirement(r, was *compliancev1.Requirement) error {
	strict := r.GetKind() == compliancev1.Requirement_DIRECTIVE || r.GetKind() == compliancev1.Requirement_LIFE_LIMIT
	if strict && r.GetTolerance() != nil {
		return fault.Invalid("requirement.tolerance", "TOLERANCE_NOT_ALLOWED", "A %s never has a tolerance. Remove it.", r.GetKind())
	}
	if strict && r.GetSoft() {
		return fault.Invalid("requirement.soft", "LIMIT_INVALID", "A %s is never a soft life. Leave that out.", r.GetKind())
	}
	if err := checkTolerance(r.GetTolerance(), was.GetTolerance()); err != nil {
		return err
	}
	if treeOf(r.GetInitial()).Empty() && treeOf(r.GetRepeat()).Empty() {
		return fault.Invalid("requirement.repeat", "LIMIT_INVALID", "%s has no limit, so it would never be due. Give initial or repeat limits.", r.GetCode())
	}
	said := append(limitsWithin(was.GetInitial()), limitsWithin(was.GetRepeat())...)
	if err := checkTree("requirement.initial", r.GetInitial(), said, 0); err != nil {
		return err
	}
	return checkTree("requirement.repeat", r.GetRepeat(), said, 0)
}

// checkTree refuses limits that can't be counted; those that were said before may be of any amount.
func checkTree(field string, t *compliancev1.LimitTree, said []*compliancev1.IntervalLimit, depth int) error {
	if depth > 4 {
		return fault.Invalid(field, "LIMIT_INVALID", "Limits are nested more than four deep. Flatten them.")
	}
	for i, l := range t.GetLimits() {
		if err := checkLimit(fmt.Sprintf("%s.limits[%d]", field, i), l, said); err != nil {
			return err
		}
	}
	for i, sub := range t.GetTrees() {
		if err := checkTree(fmt.Sprintf("%s.trees[%d]", field, i), sub, said, depth+1); err != nil {
			return err
		}
	}
	return nil
}

func checkLimit(field string, l *compliancev1.IntervalLimit, said []*compliancev1.IntervalLimit) error {
	known := slices.ContainsFunc(said, func(o *compliancev1.IntervalLimit) bool { return proto.Equal(l, o) })
	unit := due.Unit(l.GetUnit())
	switch {
	case unit == due.FixedDate:
		if d := dateOf(l.GetFixedDate()); !known && !fixable(d) {
			return fault.Invalid(field+".fixed_date", "DATE_INVALID", "The fixed date is %s, which is not a day of the calendar from %d to %d. Correct it.", d, firstFixed, lastFixed)
		}
		return nil
	case l.GetAmount() <= 0:
		return fault.Invalid(field+".amount", "LIMIT_INVALID", "A limit of %d %s is never reached or always. Give more than zero.", l.GetAmount(), unit.Driver())
	case known:
		return nil
	default:
		return checkAmount(field+".amount", unit, l.GetAmount())
	}
}

// The first and last year of a fixed date. Days of other records end earlier; a fixed date may lie as far ahead as a limit may last.
const firstFixed, lastFixed = 1900, 2299

func fixable(d civil.Date) bool { return d.Valid() && d.Year >= firstFixed && d.Year <= lastFixed }

// most is how much a limit may be: a million hours, which are 114 years without a stop, ten million cycles or starts, and a hundred years. More is a
// slip of a key, such as hours that were meant as seconds, and would read as "never due". The bounds are our own, no source.
func most(u due.Unit) (n int64, words string) {
	switch u {
	case due.Hours:
		return 1_000_000 * 3600, "1,000,000 hours, 3,600,000,000 seconds"
	case due.CalendarMonthsEnd, due.Months:
		return 1200, "1,200 months"
	case due.Days:
		return 36_525, "36,525 days"
	default:
		return 10_000_000, "10,000,000"
	}
}

// checkAmount refuses an amount beyond what a limit may be.
func checkAmount(field string, u due.Unit, amount int64) error {
	if n, words := most(u); amount > n {
		return fault.Invalid(field, "LIMIT_INVALID", "%s is %d, and at most %s are taken: more is never reached. Correct it.", field, amount, words)
	}
	return nil
}

// limitsWithin are all limits of a tree.
func limitsWithin(t *compliancev1.LimitTree) []*compliancev1.IntervalLimit {
	out := slices.Clone(t.GetLimits())
	for _, sub := range t.GetTrees() {
		out = append(out, limitsWithin(sub)...)
	}
	return out
}

// checkTolerance refuses a table in units that it has none for, and amounts beyond what a limit may be.
func checkTolerance(t, was *compliancev1.Tolerance) error {
	for _, s := range t.GetSteps() {
		if s.GetUnit() != compliancev1.IntervalLimit_HOURS && s.GetUnit() != compliancev1.IntervalLimit_CYCLES {
			return fault.Invalid("requirement.tolerance.steps", "LIMIT_INVALID", "A step of the table is in hours or cycles, not in %s. State days as a fixed amount.", s.GetUnit())
		}
	}
	if proto.Equal(t, was) {
		return nil
	}
	type said struct {
		field  string
		unit   due.Unit
		amount int64
	}
	all := []said{
		{"operating_seconds", due.Hours, t.GetOperatingSeconds()}, {"cycles", due.Cycles, t.GetCycles()}, {"days", due.Days, int64(t.GetDays())},
	}
	for i, s := range t.GetSteps() {
		step, unit := fmt.Sprintf("steps[%d].", i), due.Unit(s.GetUnit())
		all = append(all, said{step + "longest_interval", unit, s.GetLongestInterval()}, said{step + "most", unit, s.GetMost()})
	}
	for _, one := range all {
		if err := checkAmount("requirement.tolerance."+one.field, one.unit, one.amount); err != nil {
			return err
		}
	}
	return nil
}
