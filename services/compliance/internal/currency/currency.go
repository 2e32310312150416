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

// Months is how many whole months of work the periods show within the 24 months that end on a day; days that periods share count
// once, and a month is as long as the months that end on the day are on average over half a year.
func Months(periods []Period, on civil.Date) int {
	first := on.AddMonths(-within).AddDays(1)
	days, through := 0, first.AddDays(-1)
	periods = slices.Clone(periods)
	slices.SortFunc(periods, func(a, b Period) int { return a.From.Sub(b.From) })
	for _, p := range periods {
		from, to := p.From, p.To
		if !through.Before(from) {
			from = through.AddDays(1)
		}
		if on.Before(to) {
			to = on
		}
		if to.Before(from) {
			continue
		}
		days += to.Sub(from) + 1
		through = to
	}
	return days * needed / on.Sub(on.AddMonths(-needed))
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
