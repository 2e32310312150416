// Package keeping works out how long the record of an order is kept at least. A floor only ever blocks a deletion; the longest of several
// holds.
package keeping

import "time"

// Floor is a rule: months from the release or the end of an order.
type Floor struct {
	Months int
	Source string
}

// none is the floor where a regime names none: the longest that a European owner and shop have.
var none = Floor{36, "no floor in the regime; M.A.305(e)2 and 145.A.55(a)(3) ask for 36 months"}

// Longest is the floor that holds.
func Longest(floors []Floor) Floor {
	if len(floors) == 0 {
		return none
	}
	longest := floors[0]
	for _, f := range floors[1:] {
		if f.Months > longest.Months {
			longest = f
		}
	}
	return longest
}

// Through is the last day that a record is kept at least. A month that is too short for the day rounds up to the first of the next.
func Through(day time.Time, months int) time.Time {
	end := time.Date(day.Year(), day.Month()+time.Month(months), day.Day(), 0, 0, 0, 0, time.UTC)
	if end.Day() != day.Day() {
		return time.Date(end.Year(), end.Month(), 1, 0, 0, 0, 0, time.UTC)
	}
	return end
}
