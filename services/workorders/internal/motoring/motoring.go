// Package motoring checks runs of the starter against its duty list by their absolute times. Aborted runs count.
package motoring

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Duty is a longest run and the shortest rest after it.
type Duty struct{ On, Rest time.Duration }

// Run is one run.
type Run struct{ Start, End time.Time }

// Limits say when the starter may run next.
type Limits struct {
	Next    time.Time // zero: at once
	Max     time.Duration
	Series  int // runs since the list began
	Binding string
}

// After works the limits out after these runs. The list begins again after its last run's rest, or anywhere after a rest that is at least
// as long as the longest of the list and longer than the one that is due there.
func After(duty []Duty, runs []Run) Limits {
	if len(duty) == 0 {
		return Limits{Binding: "no starter profile is entered"}
	}
	position, last := 0, time.Time{}
	for _, r := range sorted(runs) {
		if position > 0 && beginsAgain(duty, position, r.Start.Sub(last)) {
			position = 0
		}
		position++
		last = r.End
	}
	if position == 0 {
		return Limits{Max: duty[0].On, Binding: fmt.Sprintf("a run may last %s", duty[0].On)}
	}
	rest := duty[(position-1)%len(duty)].Rest
	next := duty[position%len(duty)]
	return Limits{
		Next: last.Add(rest), Max: next.On, Series: position,
		Binding: fmt.Sprintf("%s of rest after run %d, then at most %s", rest, position, next.On),
	}
}

// Check says what a run breaks, empty when nothing; others are the runs recorded so far, in any order, before it and after
// it. A run that can't be judged, because no limits are known, is never silently good.
func Check(duty []Duty, others []Run, r Run) string {
	if len(duty) == 0 {
		return "no starter limits are known, so the run can't be judged"
	}
	before, _ := around(others, r)
	if broken := own(duty, before, r); broken != "" {
		return broken
	}
	return Leaves(duty, others, r, r.Start)
}

// Leaves says what a run that is recorded late makes of the later ones that started at an instant or after it: the first that breaks
// something that it did not break without it says what; empty when they stay as they are.
func Leaves(duty []Duty, others []Run, r Run, since time.Time) string {
	if len(duty) == 0 {
		return ""
	}
	before, after := around(others, r)
	for i, later := range after {
		broken := own(duty, slices.Concat(before, []Run{r}, after[:i]), later)
		if broken == "" || later.Start.Before(since) || own(duty, slices.Concat(before, after[:i]), later) == broken {
			continue
		}
		return fmt.Sprintf("left the run of %s, which then %s", later.Start.Format("15:04:05"), broken)
	}
	return ""
}

// own says what a run itself breaks after these runs. A run that came too early may have lasted too long besides, which is what the
// starter is looked at for.
func own(duty []Duty, before []Run, r Run) string {
	l := After(duty, before)
	var broken []string
	if longest := maxAfter(duty, before, r); r.End.Sub(r.Start) > longest {
		broken = append(broken, fmt.Sprintf("lasted %s, longer than %s", r.End.Sub(r.Start), longest))
	}
	if r.Start.Before(l.Next) {
		broken = append(broken, fmt.Sprintf("started %s too early: %s", l.Next.Sub(r.Start).Round(time.Second), l.Binding))
	}
	return strings.Join(broken, ", and ")
}

// around are the runs before a run and those that start with it or after it.
func around(others []Run, r Run) (before, after []Run) {
	all := sorted(others)
	i := slices.IndexFunc(all, func(o Run) bool { return !o.Start.Before(r.Start) })
	if i < 0 {
		return all, nil
	}
	return all[:i], all[i:]
}

// maxAfter is how long a run may be, counting a long rest before it as a new beginning.
func maxAfter(duty []Duty, before []Run, r Run) time.Duration {
	l := After(duty, before)
	if l.Series == 0 {
		return l.Max
	}
	all := sorted(before)
	if beginsAgain(duty, l.Series, r.Start.Sub(all[len(all)-1].End)) {
		return duty[0].On
	}
	return l.Max
}

// beginsAgain reports whether a rest after so many runs of a list lets it begin anew: where a list names its longest rest in the middle, one as long as
// its last, which is shorter, must not do away with the long one.
func beginsAgain(duty []Duty, runs int, rest time.Duration) bool {
	longest := slices.MaxFunc(duty, func(a, b Duty) int { return cmp.Compare(a.Rest, b.Rest) }).Rest
	due := duty[(runs-1)%len(duty)].Rest
	return rest >= longest && rest > due
}

// Overlaps reports whether a run overlaps another.
func Overlaps(before []Run, r Run) bool {
	return slices.ContainsFunc(before, func(b Run) bool { return r.Start.Before(b.End) && b.Start.Before(r.End) })
}

func sorted(runs []Run) []Run {
	return slices.SortedFunc(slices.Values(runs), func(a, b Run) int { return a.Start.Compare(b.Start) })
}

// StartOf is the run of the starter that a start of the engine takes: as long as a first run may last at most, since nobody records
// when it let go, and no longer than the engine ran.
func StartOf(duty []Duty, engine Run) Run {
	if len(duty) == 0 || engine.End.Sub(engine.Start) <= duty[0].On {
		return engine
	}
	return Run{Start: engine.Start, End: engine.Start.Add(duty[0].On)}
}

// Dry says what a drying run breaks, empty when nothing: it begins inside the limit since the last wetting. A zero wetting means that
// nothing wetted the engine, a limit of 0 that none is entered.
func Dry(wetted time.Time, limit time.Duration, r Run) string {
	if gap := r.Start.Sub(wetted); !wetted.IsZero() && limit > 0 && gap > limit {
		return fmt.Sprintf("began %s after the last wetting, and the limit is %s", gap.Round(time.Second), limit)
	}
	return ""
}
