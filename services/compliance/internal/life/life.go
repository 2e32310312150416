// Package life counts how much of its life a part has used, in exact fractions that are rounded up once, at the end.
//
// Limits, factors and the formula are data of the approved document and revision. Starts without a flight, as ground runs and
// drying runs make them, count in full and never reduce what flights count. A life limit has no tolerance.
package life

import (
	"fmt"
	"math/big"
	"strings"
)

// Formula is how a document counts cycles.
type Formula int

// The formulas.
const (
	StartsAndFlights Formula = iota + 1 // factor x (starts + flights without a start of their own / abbreviated cycle factor)
	LoggedCycles                        // factor x cycles that the log states
)

// Limit is how a part number is counted in engines of one model, and where that ends.
type Limit struct {
	Formula     Formula
	Abbreviated *big.Rat // so many flights without a start of their own are one cycle
	FlightCount *big.Rat // factor on everything
	Cycles      int64    // 0: no limit in cycles
	Seconds     int64    // 0: no limit in hours
	Prorated    bool     // life in engines of other models adds up as fractions
	Document    string   // title and revision, for the arithmetic
}

// Use is what a part did in one place under one revision of the limit.
type Use struct {
	Where                   string
	Starts, Flights, Cycles int64
	Seconds                 int64
	Ground                  int64 // starts without a flight of their own, where they are known one by one
	Limit                   Limit
}

// Counted is the cycles of one use, exact, with the arithmetic.
func (u Use) Counted() (*big.Rat, string) {
	if u.Limit.Formula == LoggedCycles {
		total := new(big.Rat).Mul(u.Limit.FlightCount, big.NewRat(u.Cycles, 1))
		return total, fmt.Sprintf("%s: %s x %d logged cycles = %s (%s)", u.Where, text(u.Limit.FlightCount), u.Cycles, text(total), u.Limit.Document)
	}
	short := max(0, u.Flights-u.Starts)
	total := new(big.Rat).Quo(big.NewRat(short, 1), u.Limit.Abbreviated)
	total.Add(total, big.NewRat(u.Starts, 1)).Mul(total, u.Limit.FlightCount)
	return total, fmt.Sprintf("%s: %s x (%d starts + %d flights without a start / %s) = %s (%s)", u.Where, text(u.Limit.FlightCount), u.Starts, short,
		text(u.Limit.Abbreviated), text(total), u.Limit.Document)
}

// Status is what is used and left.
type Status struct {
	Exact             *big.Rat
	Used, Left        int64 // cycles; Left is 0 without a limit
	Limit             int64
	Seconds           int64
	SecondsLeft       int64 // 0 without a limit in hours
	Over, AtEnd       bool  // past a limit; nothing left of one
	StartsOnly        bool  // starts without flights: to be looked at
	Lines             []string
	CycleLim, HourLim bool
}

// Count adds up the uses and holds them against the limit that holds now. Uses under limits of other engine models count in
// fractions of their own limits when the limit now is prorated, else under the most restrictive limit of all.
func Count(uses []Use, now Limit) Status {
	s := Status{Exact: new(big.Rat), Limit: now.Cycles}
	fraction, seconds := new(big.Rat), now.Seconds
	for _, u := range uses {
		n, line := u.Counted()
		s.Exact.Add(s.Exact, n)
		s.Seconds += u.Seconds
		s.StartsOnly = s.StartsOnly || u.Starts > u.Flights || u.Ground > 0
		s.Lines = append(s.Lines, line)
		if u.Limit.Cycles > 0 {
			fraction.Add(fraction, new(big.Rat).Quo(n, big.NewRat(u.Limit.Cycles, 1)))
		}
		s.Limit, seconds = tighter(s.Limit, u.Limit.Cycles, now.Prorated), tighter(seconds, u.Limit.Seconds, now.Prorated)
	}
	s.Used = ceil(s.Exact)
	s.CycleLim, s.HourLim = s.Limit > 0, seconds > 0
	if now.Prorated {
		s.Left = floor(new(big.Rat).Mul(new(big.Rat).Sub(big.NewRat(1, 1), fraction), big.NewRat(s.Limit, 1)))
		s.Lines = append(s.Lines, fmt.Sprintf("fractions of each limit: %s; left (1 - %s) x %d = %d cycles, rounded down", text(fraction), text(fraction), s.Limit, s.Left))
	} else if s.CycleLim {
		s.Left = s.Limit - s.Used
		s.Lines = append(s.Lines, fmt.Sprintf("in all %s, rounded up once %d; %d - %d = %d cycles left", text(s.Exact), s.Used, s.Limit, s.Used, s.Left))
	}
	if s.HourLim {
		s.SecondsLeft = seconds - s.Seconds
		s.Lines = append(s.Lines, fmt.Sprintf("%d s of %d s in hours used; %d s left", s.Seconds, seconds, s.SecondsLeft))
	}
	s.Over = s.CycleLim && s.Left < 0 || s.HourLim && s.SecondsLeft < 0
	s.AtEnd = !s.Over && (s.CycleLim && s.Left == 0 || s.HourLim && s.SecondsLeft == 0)
	return s
}

// Ahead is how many more flights are left, each counted as a whole cycle, since how many come without a start of their own is not known before; rounded
// down. Without a limit in cycles it says nothing.
func (s Status) Ahead(now Limit) int64 {
	return floor(new(big.Rat).Quo(big.NewRat(s.Left, 1), now.FlightCount))
}

// tighter is the smaller of two limits, 0 being none; a prorated life keeps the limit that holds now.
func tighter(a, b int64, prorated bool) int64 {
	if prorated || b == 0 || a != 0 && a <= b {
		return a
	}
	return b
}

func ceil(r *big.Rat) int64 {
	n := floor(r)
	if !r.IsInt() {
		n++
	}
	return n
}

func floor(r *big.Rat) int64 {
	q := new(big.Int)
	q.DivMod(r.Num(), r.Denom(), new(big.Int))
	return q.Int64()
}

// text writes a number as a decimal when that is exact, else as a fraction, so that it can be redone.
func text(r *big.Rat) string {
	if n, exact := r.FloatPrec(); exact {
		return r.FloatString(n)
	}
	return r.RatString()
}

// Exact is a number of cycles as it is shown: a decimal when that is exact, else a fraction.
func Exact(r *big.Rat) string { return text(r) }

// Factor reads a factor from its decimal; empty is 1. False when it is no number above zero.
func Factor(decimal string) (*big.Rat, bool) {
	if decimal == "" {
		return big.NewRat(1, 1), true
	}
	if strings.ContainsAny(decimal, "/eExXpP_") {
		return nil, false
	}
	r, ok := new(big.Rat).SetString(decimal)
	return r, ok && r.Sign() > 0
}

// Stay is one stay of a part in an engine, in the part's own cycles.
type Stay struct{ On, Off int64 }

// Gap is how many cycles a history does not show: it must begin at 0, go on where it left off, and end at the part's count. A
// negative step hides nothing but shows that the papers don't fit, so it counts as a gap too.
func Gap(history []Stay, now int64) (gap int64) {
	at := int64(0)
	for _, s := range history {
		gap += distance(at, s.On)
		at = s.Off
	}
	return gap + distance(at, now)
}

func distance(a, b int64) int64 { return max(a-b, b-a) }
