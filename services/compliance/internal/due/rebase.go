package due

import "slices"

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
		case l.Unit == FixedDate || l.SinceNew || !l.Unit.Known(): // counts from no base
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

// From is a tree as it counts from a base, wherever it is counted from: its counters from new, and its days fixed.
func (t Tree) From(base Base) Tree {
	out := Tree{Later: t.Later, Limits: slices.Clone(t.Limits)}
	for i, l := range out.Limits {
		switch {
		case l.Unit == FixedDate || l.SinceNew || !l.Unit.Known():
		case l.Unit.Calendar():
			out.Limits[i] = Limit{Unit: FixedDate, Fixed: l.date(base.Date)}
		default:
			out.Limits[i].Amount, out.Limits[i].SinceNew = base.Counters.of(l.Unit)+l.Amount, true
		}
	}
	for _, sub := range t.Trees {
		out.Trees = append(out.Trees, sub.From(base))
	}
	return out
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
