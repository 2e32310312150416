// Package calibration decides whether a tool may be used on a day, and which of its uses need a look afterwards.
//
// A later expiry does not invalidate an earlier use. A tool that is found out of tolerance puts every use since the last good
// calibration in doubt (ISO 9001 7.1.5.2, as the handbook cites it).
package calibration

import (
	"slices"

	"coldsection.example/services/compliance/internal/civil"
)

// Calibration is one calibration; it leaves the tool in order, whatever it found.
type Calibration struct {
	Done, Due civil.Date // the day it was done, and the last day that it covers
	FoundBad  bool       // as found, the tool was out of tolerance
}

// Due is the last day of a calibration that lasts some months.
func Due(done civil.Date, months int) civil.Date { return done.AddMonths(months) }

// Covers reports whether the newest calibration of a day covers it.
func Covers(all []Calibration, day civil.Date) bool {
	newest, found := newestOn(all, day)
	return found && !newest.Due.Before(day)
}

func newestOn(all []Calibration, day civil.Date) (newest Calibration, found bool) {
	for _, c := range all {
		if !day.Before(c.Done) && (!found || newest.Done.Before(c.Done)) {
			newest, found = c, true
		}
	}
	return newest, found
}

// Use is a use, between the first and the last civil day that its instant can be, wherever it was.
type Use struct {
	First, Last civil.Date
	Covered     bool // a gate saw a calibration that covered the day at its place
}

// Suspicion is why a use needs a look.
type Suspicion string

// The suspicions, worst first; None is none.
const (
	None           Suspicion = ""
	OutOfTolerance Suspicion = "OUT_OF_TOLERANCE"
	NotCovered     Suspicion = "NOT_COVERED"
	LapsedSince    Suspicion = "LAPSED_SINCE"
)

// Judge says whether a use needs a look, on a day: a calibration found the tool out of tolerance after it and none lies between;
// no calibration covered it; or it lies after the last calibration, which has ended since, so that the next one decides.
func Judge(all []Calibration, use Use, today civil.Date) Suspicion {
	all = slices.Clone(all)
	slices.SortFunc(all, func(a, b Calibration) int { return a.Done.Sub(b.Done) })
	for i, c := range all {
		since := i == 0 || all[i-1].Done.Before(use.Last)
		if c.FoundBad && since && !c.Done.Before(use.First) {
			return OutOfTolerance
		}
	}
	if !use.Covered && (!Covers(all, use.First) || !Covers(all, use.Last)) {
		return NotCovered
	}
	if len(all) == 0 {
		return None
	}
	if last := all[len(all)-1]; last.Due.Before(today) && !use.Last.Before(last.Done) {
		return LapsedSince
	}
	return None
}
