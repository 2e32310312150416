package due

import (
	"fmt"
	"math"
	"math/big"
	"strconv"

	"coldsection.example/services/compliance/internal/civil"
)

// Rate is what is flown a day. It is taken as the decimal that it is written as, so that a person gets the same days by hand.
type Rate struct{ HoursPerDay, CyclesPerDay float64 }

// perDay is the rate of a unit a day, in hours or cycles; 0 when there is none.
func (r Rate) perDay(u Unit) float64 {
	switch u {
	case Hours:
		return r.HoursPerDay
	case Cycles:
		return r.CyclesPerDay
	default:
		return 0
	}
}

// of is the rate of a unit a day and how it is written; nobody states a rate of starts, so they have no date.
func (r Rate) of(u Unit) (float64, string) {
	switch u {
	case Hours:
		return r.HoursPerDay, decimal(r.HoursPerDay) + " h a day"
	case Cycles:
		return r.CyclesPerDay, decimal(r.CyclesPerDay) + " cycles a day"
	default:
		return 0, ""
	}
}

func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// farthest is how many days ahead a date is worth telling: 200 years.
const farthest = 365 * 200

// exact is the rate a day in seconds, cycles or starts; 0 when there is none.
func (r Rate) exact(u Unit) *big.Rat {
	perDay, ok := new(big.Rat).SetString(decimal(r.perDay(u)))
	if !ok || perDay.Sign() < 0 {
		return new(big.Rat)
	}
	if u == Hours {
		perDay.Mul(perDay, big.NewRat(3600, 1))
	}
	return perDay
}

// days is floor(left / rate), in exact arithmetic; false when there is no rate, nothing left, or it is too far away.
func (r Rate) days(u Unit, left int64) (int, bool) {
	if left < 0 || !(r.perDay(u) > 0) {
		return 0, false
	}
	if n, sure := quick(u, left, r.perDay(u)); sure {
		return n, true
	}
	perDay := r.exact(u)
	if perDay.Sign() <= 0 {
		return 0, false
	}
	q := new(big.Rat).Quo(big.NewRat(left, 1), perDay)
	n := new(big.Int).Quo(q.Num(), q.Denom())
	if !n.IsInt64() || n.Int64() > farthest {
		return 0, false
	}
	return int(n.Int64()), true
}

// quick is floor(left / rate) in whole numbers, for a rate of at most six decimals; false for others and when it is no date.
func quick(u Unit, left int64, rate float64) (int, bool) {
	const one, most = 1_000_000, 1 << 42
	millionths := math.Round(rate * one)
	if left < 0 || left > most || !(millionths > 0 && millionths < most/3600) || millionths/one != rate {
		return 0, false
	}
	perDay := int64(millionths)
	if u == Hours {
		perDay *= 3600
	}
	n := left * one / perDay
	return int(n), n <= farthest
}

// project is the last day that can be flown in full: whole days after today. No rate or nothing left, no date.
func (r Rate) project(u Unit, left int64, today civil.Date) civil.Date {
	n, ok := r.days(u, left)
	if !ok {
		return civil.Date{}
	}
	return today.AddDays(n)
}

// line is how the projected date of a limit came about, to be redone by hand.
func (r Rate) line(u Unit, l Left, today civil.Date) string {
	rate, text := r.of(u)
	switch n, ok := r.days(u, l.Left); {
	case ok:
		return ", at " + text + " " + digits(int64(n)) + " whole days after " + today.String() + " = " + l.Projected.String()
	case l.Left < 0:
		return ""
	case rate > 0:
		return fmt.Sprintf(", at %s more than 200 years away, so no date", text)
	default:
		return ", no flying rate is known, so no date"
	}
}
