package due

import (
	"math"
	"math/big"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Chance is which end of the range a date is asked for.
type Chance int

// The chances: that the limit is reached by then with 50, 10 or 90 % probability.
const (
	Even Chance = iota
	Early
	Late
)

// Spread is how much of a unit is flown from week to week, as measured; the zero value is a rate taken as it stands.
type Spread struct {
	Weeks         int
	Hours, Cycles float64 // standard deviation of a week's total, in seconds and in cycles
}

// Measured is what was flown in whole weeks, oldest first.
type Measured struct{ Seconds, Cycles []float64 }

// fewestWeeks is how many weeks a range needs; with fewer the rate is taken as it stands.
const fewestWeeks = 4

// Spread is how the weeks differ.
func (m Measured) Spread() Spread {
	if len(m.Seconds) < fewestWeeks {
		return Spread{}
	}
	return Spread{Weeks: len(m.Seconds), Hours: stat.StdDev(m.Seconds, nil), Cycles: stat.StdDev(m.Cycles, nil)}
}

func (s Spread) of(u Unit) float64 {
	if u == Hours {
		return s.Hours
	}
	return s.Cycles
}

// likely is the amount that, flown at the plain rate, takes as long as what is left does at that chance; false when it may never
// be reached.
//
// With a mean of m a week from n weeks whose totals differ by s, w weeks use m·w ± t·s·sqrt(w + w²/n): the weeks to come differ as
// those measured did, and the mean is itself uncertain. t is Student's for n-1 degrees of freedom. Solved for w it is a quadratic.
// Taking the totals of a week as normal is an assumption, tested by simulation.
func (p Plan) likely(u Unit, left int64) (*big.Rat, bool) {
	exact, s, n := big.NewRat(left, 1), p.Spread.of(u), float64(p.Spread.Weeks)
	if p.Chance == Even || s == 0 || n < 2 || left <= 0 {
		return exact, true
	}
	perDay, _ := p.Rate.exact(u).Float64()
	m, t := 7*perDay, distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(0.9)
	c := t * t * s * s
	// (left - m w)² = c (w + w²/n)
	a, b, d := m*m-c/n, 2*float64(left)*m+c, float64(left)*float64(left)
	root := math.Sqrt(max(b*b-4*a*d, 0))
	w := 2 * d / (b + root) // the smaller root, without cancellation, also when a is not positive
	if p.Chance == Late {
		if a <= 0 {
			return nil, false
		}
		w = (b + root) / (2 * a)
	}
	return new(big.Rat).SetInt64(int64(math.Floor(m * w))), true
}
