package due

// Step is a row of a table of permitted variations: for intervals of a unit up to a length, a share of the interval and never more
// than an amount.
type Step struct {
	Unit    Unit
	Longest int64 // of the interval, in the unit's own count; 0 is any
	Percent int64
	Most    int64 // 0 is no other bound than the share
}

// Variation is by how much an interval of a unit may vary by a table, in whole units, rounded down; false when no row is for it. The
// row for the shortest intervals that fits holds.
func Variation(table []Step, unit Unit, interval int64) (int64, bool) {
	var best *Step
	for i, s := range table {
		if s.Unit != unit || s.Longest != 0 && s.Longest < interval {
			continue
		}
		if best == nil || s.Longest != 0 && (best.Longest == 0 || s.Longest < best.Longest) {
			best = &table[i]
		}
	}
	if best == nil {
		return 0, false
	}
	share := interval * best.Percent / 100
	if best.Most > 0 {
		share = min(share, best.Most)
	}
	return share, true
}

// Permitted is what a programme permits a tree to vary by: amounts that it states, or where its table has a row for a limit's unit, what
// the table gives; of several limits of a unit the more restrictive.
func Permitted(stated Extension, table []Step, limits Tree) Extension {
	out, seen := stated, map[Unit]bool{}
	limits.each(func(l Limit) {
		v, ok := Variation(table, l.Unit, l.Amount)
		if !ok {
			return
		}
		amount := &out.Seconds
		if l.Unit == Cycles {
			amount = &out.Cycles
		}
		if !seen[l.Unit] || v < *amount {
			*amount, seen[l.Unit] = v, true
		}
	})
	return out
}

func (t Tree) each(do func(Limit)) {
	for _, l := range t.Limits {
		do(l)
	}
	for _, sub := range t.Trees {
		sub.each(do)
	}
}

// Softened is a result of a soft life: past it, it is done at the next shop visit and needs attention until then (common practice, no
// source).
func (r Result) Softened() Result {
	if r.Band == Overdue {
		r.Band = Attention
	}
	return r
}

// MayOperate reports whether a thing in this band may be operated as far as this requirement goes. What can't be told never may.
func (b Band) MayOperate() bool { return b != Overdue && b != NoData }
