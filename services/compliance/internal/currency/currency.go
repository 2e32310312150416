// Package currency decides whether a person's experience is recent enough to sign, and when an inspection authorization ends.
package currency

import (
	"slices"

	"coldsection.example/services/compliance/internal/civil"
)

// Period is when relevant work was done, both days included.
type Period struct{ From, To civil.Date }

// The rule that both 145.A.35(c) and 14 CFR 65.83 state: six months of experience within the last 24. That of 65.83 is from memory.
const (
	needed = 6
	within = 24
)

// Current reports whether so many months within the last 24 are enough, or the authority found the person able.
func Current(months int, foundAble bool) bool { return months >= needed || foundAble }

// Found reports whether a day on which the authority found a person able still stands.
func Found(found, on civil.Date) bool {
	return !found.IsZero() && !on.Before(found) && !found.AddMonths(within).Before(on)
}

// Months is how many whole months of work the periods show within the 24 months that end on a day. Days that periods share count once, and periods
// that touch are one. A period has as many months as the calendar says from its first day; the days beyond them are added up over all periods, 31 to a
// month, as no month is longer. So what was enough is not lost and found again from one day to the next, as months of an average length would have it. The
// way of counting is our own, no source.
func Months(periods []Period, on civil.Date) int {
	months, days := 0, 0
	for _, p := range joined(periods, on.AddMonths(-within).AddDays(1), on) {
		end, n := p.To.AddDays(1), 0
		for !end.Before(p.From.AddMonths(n + 1)) {
			n++
		}
		months, days = months+n, days+end.Sub(p.From.AddMonths(n))
	}
	return months + days/longest
}

// longest is the number of days of the longest month.
const longest = 31

// joined are the periods from a day through another one, in their order; those that share days or touch are one.
func joined(periods []Period, first, last civil.Date) (out []Period) {
	periods = slices.Clone(periods)
	slices.SortFunc(periods, func(a, b Period) int { return a.From.Compare(b.From) })
	for _, p := range periods {
		if p.From.Before(first) {
			p.From = first
		}
		if last.Before(p.To) {
			p.To = last
		}
		switch n := len(out); {
		case p.To.Before(p.From):
		case n > 0 && !out[n-1].To.AddDays(1).Before(p.From):
			if out[n-1].To.Before(p.To) {
				out[n-1].To = p.To
			}
		default:
			out = append(out, p)
		}
	}
	return out
}

// InspectionEnds is the last day of an inspection authorization issued on a day: 31 March of the next odd year (14 CFR 65.92(a),
// from memory).
func InspectionEnds(issued civil.Date) civil.Date {
	end := civil.Date{Year: issued.Year, Month: 3, Day: 31}
	for end.Year%2 == 0 || end.Before(issued) {
		end.Year++
	}
	return end
}
