package server_test

import (
	"cmp"
	"slices"
)

// naive tells how things stand by going through every event one by one, each time anew. It knows nothing of running counters, of rows that say what
// counted a flight, or of what is kept of due items. Days are numbers; instants are the numbers of the events, of which an open one is never.
type naive struct {
	flights []naiveFlight
	fits    []naiveFit
	entries []naiveEntry
	done    []naiveDone
}

const never = 1 << 30

type naiveFlight struct {
	name, plane     string
	day             int
	seconds, cycles int64
	since, until    int
}

type naiveFit struct {
	name, item, host, position string
	from, to                   int // to is never while nobody took it off
	since, until, removed      int
}

type naiveEntry struct {
	item            string
	day, since      int
	seconds, cycles int64
}

type naiveDone struct {
	name, item   string
	day          int
	seconds      int64
	since, until int
}

func holds(since, until, known int) bool { return since <= known && known < until }

// fitsOf are the fittings of an item as they were known, by the day on which they began; what came off without that being known is still on.
func (n *naive) fitsOf(item string, known int) (out []naiveFit) {
	for _, f := range n.fits {
		if f.item == item && holds(f.since, f.until, known) {
			if f.removed > known {
				f.to = never
			}
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b naiveFit) int { return cmp.Compare(a.from, b.from) })
	return out
}

func (n *naive) aboard(item, plane string, day, known int) bool {
	return item == plane || slices.ContainsFunc(n.fitsOf(item, known), func(f naiveFit) bool {
		return f.from <= day && day <= f.to && n.aboard(f.host, plane, day, known)
	})
}

// entry is what a thing was entered with, as it was known.
func (n *naive) entry(item string, known int) (e naiveEntry) {
	for _, one := range n.entries {
		if one.item == item && one.since <= known {
			e = one
		}
	}
	return e
}

// flown is what a thing flew after its entry through a day.
func (n *naive) flown(item string, day, known int) (seconds, cycles int64) {
	entered := n.entry(item, known).day
	for _, f := range n.flights {
		if holds(f.since, f.until, known) && entered < f.day && f.day <= day && n.aboard(item, f.plane, f.day, known) {
			seconds, cycles = seconds+f.seconds, cycles+f.cycles
		}
	}
	return seconds, cycles
}

// counters are those at the end of a day; they are not known of days before the entry.
func (n *naive) counters(item string, day, known int) (seconds, cycles int64, told bool) {
	e := n.entry(item, known)
	s, c := n.flown(item, day, known)
	return e.seconds + s, e.cycles + c, day >= e.day
}

// lastDone is the newest record of work through a day, with what corrections since it was recorded take from it; they never add.
func (n *naive) lastDone(item string, day, known int) (last naiveDone, found bool) {
	for _, d := range n.done {
		if d.item == item && d.day <= day && holds(d.since, d.until, known) && (!found || d.day >= last.day) {
			last, found = d, true
		}
	}
	if !found {
		return last, false
	}
	then, now := n.entry(item, last.since), n.entry(item, known)
	was, _ := n.flown(item, last.day, last.since)
	is, _ := n.flown(item, last.day, known)
	moved := is - was
	if last.day >= then.day { // else it was recorded from papers
		moved += now.seconds - then.seconds
	}
	last.seconds = max(0, last.seconds+min(0, moved))
	return last, true
}

// refit is at which seconds what is done 25 h after each fitting and every 10 h after that is due.
func (n *naive) refit(item string, day, known int) (due int64, told bool) {
	if _, _, told := n.counters(item, day, known); !told {
		return 0, false
	}
	var fit *naiveFit
	for _, f := range n.fitsOf(item, known) {
		if f.from <= day {
			fit = &f
		}
	}
	last, done := n.lastDone(item, day, known)
	switch {
	case done && (fit == nil || last.day >= fit.from):
		return last.seconds + 10*3600, true
	case fit == nil || fit.to <= day:
		return 0, false
	}
	base, _, told := n.counters(item, fit.from-1, known)
	if e := n.entry(item, known); !told && e.day == fit.from {
		base, told = e.seconds, true
	}
	return base + 25*3600, told
}
