// Package economy says how long to fly between washes so that washing and dirt together cost least.
//
// Money is in any one currency, times are hours of operation. A cycle of T hours costs [K + ∫₀ᵀ ℓ dt] / (T + d): K is the cost
// of a wash, d the hours not flown for it, ℓ the money lost per hour to dirt t hours after a wash. ℓ grows straight (ℓ = c·t) or
// saturates (ℓ = A·(1 − e^(−t/τ))). Fuel alone seldom decides for a small engine; margin, life and corrosion do, so that the
// operator's programme and environment bind besides.
package economy

import (
	"fmt"
	"math"

	"coldsection.example/services/platform/fault"
)

// Loss is the money per hour that dirt costs: straight with Slope [1/h²], or saturating with Ceiling [1/h] and Time [h].
type Loss struct {
	Slope         float64
	Ceiling, Time float64
}

// Wash is what one wash takes.
type Wash struct {
	Cost     float64 // money
	Downtime float64 // h not flown
}

// Plan is the interval that costs least. Without one washing never pays for this loss alone.
type Plan struct {
	Finite      bool
	Hours       float64 // T
	Rate        float64 // money per hour in all at T
	Least, Most float64 // hours between which the rate is at most 5 % higher: how flat the curve is
	Curve       []Spot
	Never       string // why there is no interval
}

// Spot is a place of the cost curve.
type Spot struct{ Hours, Rate float64 }

const (
	flat     = 1.05 // times the least rate
	farthest = 1e6  // h, past which no interval makes sense
	largest  = 1e12
)

// Best finds the interval that costs least. Reasons: WASH_COST_INVALID, LOSS_INVALID.
func Best(l Loss, w Wash) (Plan, error) {
	if !(w.Cost > 0 && w.Cost <= largest && w.Downtime >= 0 && w.Downtime <= 1e4) {
		return Plan{}, fault.Invalid("wash_cost", "WASH_COST_INVALID", "A wash that costs %g and takes %g h makes no sense. Give a cost above 0 and a downtime of 0 or more.", w.Cost, w.Downtime)
	}
	saturating := l.Ceiling != 0 || l.Time != 0
	straight := l.Slope != 0
	if straight == saturating || straight && !(l.Slope > 0 && l.Slope <= largest) || saturating && !(l.Ceiling > 0 && l.Ceiling <= largest && l.Time > 0 && l.Time <= farthest) {
		return Plan{}, fault.Invalid("loss", "LOSS_INVALID", "A loss is a slope, or a ceiling with a time, all above 0; not %+v.", l)
	}
	if saturating {
		if share := w.Cost/(l.Ceiling*l.Time) - w.Downtime/l.Time; share >= 1 {
			return Plan{Never: fmt.Sprintf("washing never pays on this loss alone: a wash costs %.2f times what dirt ever costs", share)}, nil
		}
	}
	t := l.solve(w)
	if !(t > 0 && t <= farthest) {
		return Plan{Never: fmt.Sprintf("the interval that costs least is beyond %.0f h", farthest)}, nil
	}
	p := Plan{Finite: true, Hours: t, Rate: l.rate(w, t)}
	p.Least, p.Most = l.edge(w, p, 0.001*t), l.edge(w, p, farthest)
	for i := range 16 {
		h := t * (0.25 + 0.25*float64(i))
		p.Curve = append(p.Curve, Spot{h, l.rate(w, h)})
	}
	return p, nil
}

// At is the loss per hour t hours after a wash.
func (l Loss) At(t float64) float64 {
	if l.Slope > 0 {
		return l.Slope * t
	}
	return -l.Ceiling * math.Expm1(-t/l.Time)
}

// total is the loss of t hours after a wash.
func (l Loss) total(t float64) float64 {
	if l.Slope > 0 {
		return l.Slope * t * t / 2
	}
	return l.Ceiling * (t + l.Time*math.Expm1(-t/l.Time))
}

func (l Loss) rate(w Wash, t float64) float64 { return (w.Cost + l.total(t)) / (t + w.Downtime) }

// solve finds where the loss of the next hour is the mean cost of all: ℓ(T)·(T + d) = K + ∫ℓ. Straight, with d = 0: T = √(2K/c);
// saturating, with d = 0, u = T/τ and κ = K/(Aτ): 1 − (1 + u)·e^(−u) = κ. The left side less the right one only grows, so that
// halving finds its root.
func (l Loss) solve(w Wash) float64 {
	if l.Slope > 0 {
		return 2 * w.Cost / l.Slope / (w.Downtime + math.Sqrt(w.Downtime*w.Downtime+2*w.Cost/l.Slope))
	}
	low, high := 0.0, farthest
	for range 200 {
		middle := (low + high) / 2
		if l.At(middle)*(middle+w.Downtime)-w.Cost-l.total(middle) > 0 {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}

// edge is where the rate leaves the flat part, looking from the best interval towards far.
func (l Loss) edge(w Wash, p Plan, far float64) float64 {
	if l.rate(w, far) <= flat*p.Rate {
		return far
	}
	inside, outside := p.Hours, far
	for range 100 {
		middle := (inside + outside) / 2
		if l.rate(w, middle) > flat*p.Rate {
			outside = middle
		} else {
			inside = middle
		}
	}
	return inside
}
