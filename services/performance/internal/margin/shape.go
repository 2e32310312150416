package margin

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// How a deviation may grow: y = a + b·g(u), u being 0 at the oldest reading and 1 at the newest, and g(u) = (1 − e^(−k·u))/k. It is a
// straight line at k = 0, flattens as dirt does that settles where k is positive, and steepens where it is negative. Which way it bends
// is seldom certain, so each k is weighed by how well it fits, either way being as probable beforehand (common practice, no source), and
// the forecast is the mixture: Hoeting, Madigan, Raftery and Volinsky, Bayesian model averaging, Statistical Science 14 (1999) 382,
// cited from memory. The straight line has no weight of its own beforehand but that of its place between the two: no rise is straight
// to the last digit, and a line taken as probable by itself makes the forecast of one that flattens slowly too early and too sure.
const (
	steepest, flattest, bendStep = -3.0, 5.0, 0.25
	furthest                     = 10.0 // spans beyond the newest reading that are looked at
	manyReadings                 = 60   // from which Student's t is taken as normal
	leastWeight                  = 1e-4 // of a shape that is still weighed
)

// bend is the fit of one shape.
type bend struct {
	k, weight              float64
	a, b, meanG, spread, s float64 // y = a + b·(g − meanG), Σ(g − meanG)², standard deviation of the noise
	rss                    float64
	n                      float64
}

func (f *bend) shape(u float64) float64 {
	if f.k == 0 {
		return u
	}
	return (1 - math.Exp(-f.k*u)) / f.k
}

func (f *bend) at(u float64) float64 { return f.a + f.b*(f.shape(u)-f.meanG) }

// reached is the probability that the fitted level is at a limit at u.
func (f *bend) reached(u, limit float64) float64 {
	d := f.shape(u) - f.meanG
	se := f.s * math.Sqrt(1/f.n+d*d/f.spread)
	if !(se > 0) {
		se = 1e-12
	}
	z := (f.at(u) - limit) / se
	if f.n > manyReadings {
		return math.Erfc(-z/math.Sqrt2) / 2
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f.n - 2}.CDF(z)
}

// shapes are all fits with their weights, and the autocorrelation of neighbours that the best one leaves over.
type shapes struct {
	fits   []bend
	memory float64
}

// fitShapes fits every shape; u runs from 0 to 1 in order of time.
func fitShapes(u, y []float64) shapes {
	var out shapes
	best := 0
	for k := steepest; k <= flattest; k += bendStep {
		out.fits = append(out.fits, fitBend(k, u, y))
		if n := len(out.fits) - 1; out.fits[n].rss < out.fits[best].rss {
			best = n
		}
	}
	out.memory = math.Min(largestMemory, math.Max(0, out.fits[best].lagOne(u, y)))
	least := math.Max(out.fits[best].rss, 1e-12)
	factor := (1 + out.memory) / (1 - out.memory)
	total := 0.0
	for i := range out.fits {
		f := &out.fits[i]
		f.weight = prior(f.k) * math.Pow(least/math.Max(f.rss, least), (f.n/factor-2)/2)
		f.s = math.Sqrt(f.rss / (f.n - 2) * factor)
		total += f.weight
	}
	for i := range out.fits {
		out.fits[i].weight /= total
	}
	out.fits = slices.DeleteFunc(out.fits, func(f bend) bool { return f.weight < leastWeight })
	return out
}

// prior of a shape: either way alike, all bends of a way alike, and the straight line what is between its neighbours.
func prior(k float64) float64 {
	switch {
	case k > 0:
		return bendStep / flattest
	case k < 0:
		return bendStep / -steepest
	default:
		return (bendStep/flattest + bendStep/-steepest) / 2
	}
}

func fitBend(k float64, u, y []float64) bend {
	f := bend{k: k, n: float64(len(u))}
	for i := range u {
		f.meanG += f.shape(u[i]) / f.n
		f.a += y[i] / f.n
	}
	cross := 0.0
	for i := range u {
		d := f.shape(u[i]) - f.meanG
		f.spread += d * d
		cross += d * (y[i] - f.a)
	}
	f.b = cross / f.spread
	for i := range u {
		r := y[i] - f.at(u[i])
		f.rss += r * r
	}
	return f
}

// lagOne is the autocorrelation of neighbouring residuals.
func (f *bend) lagOne(u, y []float64) float64 {
	cross, last := 0.0, 0.0
	for i := range u {
		r := y[i] - f.at(u[i])
		cross, last = cross+r*last, r
	}
	return cross / math.Max(f.rss, 1e-12)
}

// level is the mixture's at the newest reading.
func (s *shapes) level() (level float64) {
	for i := range s.fits {
		level += s.fits[i].weight * s.fits[i].at(1)
	}
	return level
}

// reached is the mixture's probability that a limit is reached at u.
func (s *shapes) reached(u, limit float64) (p float64) {
	for i := range s.fits {
		p += s.fits[i].weight * s.fits[i].reached(u, limit)
	}
	return p
}

// when is where the mixture reaches a limit with a probability, from 1 on; when that is not so within ten spans it reports false
// and where it stopped looking.
func (s *shapes) when(limit, probability float64) (u float64, ok bool) {
	low, high := 1.0, 1.0
	for s.reached(high, limit) < probability {
		if high >= 1+furthest {
			return high, false
		}
		low, high = high, math.Min(1+furthest, high+0.05*high)
	}
	for range 30 {
		if mid := (low + high) / 2; s.reached(mid, limit) < probability {
			low = mid
		} else {
			high = mid
		}
	}
	return high, true
}

// flattens is how probable it is that the rise flattens; it steepens otherwise. The straight line counts half to either.
func (s *shapes) flattens() (p float64) {
	for _, f := range s.fits {
		switch {
		case f.k > 0:
			p += f.weight
		case f.k == 0:
			p += f.weight / 2
		}
	}
	return p
}

// words say which shapes the forecast weighs.
func (s *shapes) words() string {
	p := s.flattens()
	return fmt.Sprintf("the rise flattens with a probability of %.0f %% and steepens with %.0f %%, each shape weighed by its fit", 100*p, 100*(1-p))
}
