// Package hours tells which hours of operation of an engine's readings can be true together: the hours of an engine never fall, and never
// rise faster than the clock. A slipped digit must not put a wash forty thousand hours behind. The package only calculates.
package hours

import (
	"cmp"
	"slices"
	"sort"
	"time"
)

// At is the hours of operation [h] that were written down at a time; 0 means that none were.
type At struct {
	Time  time.Time
	Hours float64
}

// Credible says of each, in their order, whether its hours are among the most that can be true together; of sets that are equally large it
// takes always the same. What has no hours, or none that a counter shows, is not credible.
func Credible(all []At) []bool {
	order := make([]int, 0, len(all))
	for i, a := range all {
		if a.known() {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(all[i].Hours, all[j].Hours), all[i].Time.Compare(all[j].Time))
	})
	idle := make([]float64, len(all)) // hours in which the engine stood; neither these nor its hours ever fall
	for _, i := range order {
		idle[i] = all[i].Time.Sub(all[order[0]].Time).Hours() - all[i].Hours
	}
	// The longest rising chain: ends[n] is where the chain of n+1 with the least idle hours ends, before[i] what comes before i in its chain.
	ends, before := []int{}, make([]int, len(all))
	for _, i := range order {
		n := sort.Search(len(ends), func(k int) bool { return idle[ends[k]] > idle[i]+rounding })
		before[i] = -1
		if n > 0 {
			before[i] = ends[n-1]
		}
		if n == len(ends) {
			ends = append(ends, i)
		} else {
			ends[n] = i
		}
	}
	credible := make([]bool, len(all))
	for i := last(ends); i >= 0; i = before[i] {
		credible[i] = true
	}
	return credible
}

// Together says whether hours that were written down at a time and later can both be true; true when either has none.
func Together(from, to At) bool {
	risen := to.Hours - from.Hours
	return !from.known() || !to.known() || -rounding <= risen && risen <= to.Time.Sub(from.Time).Hours()+rounding
}

// known says whether these are hours that a counter shows.
func (a At) known() bool { return a.Hours > 0 && a.Hours < 1e7 }

// Log judges hours in order of time, one after another and without those behind them: it keeps the newest and the newest that it believed.
type Log struct{ Newest, Believed At }

// Believe says whether hours can be true with those that were believed last or, when these were wrong themselves, with those just before.
// None are not believed.
func (l *Log) Believe(now At) bool {
	if !now.known() {
		return false
	}
	believed := Together(l.Believed, now) || Together(l.Newest, now)
	if l.Newest = now; believed {
		l.Believed = now
	}
	return believed
}

// rounding [h] is how far hours that are written down with one place may be off, both ends together.
const rounding = 0.1

func last(ends []int) int {
	if len(ends) == 0 {
		return -1
	}
	return ends[len(ends)-1]
}
