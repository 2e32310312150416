package analysis

import (
	"cmp"
	"math"
	"slices"
)

// Cause is what may be behind a shift.
type Cause struct {
	Name        string
	Probability float64 // given the readings and the priors below
	For         []string
	Against     []string
}

const (
	namedAbove = 0.80 // probability of a cause that is named
	guard      = 3.0  // of log probability, χ² 6: any other cause nearer than that means "cannot tell"
	gate       = 16.3 // χ² with three degrees of freedom at 0.1 %: what no hypothesis explains is "other"
)

// signatureError is the relative error of each part of a signature, dirt's too: other compressor maps give other ratios.
// Common practice, no source.
const signatureError = 0.15

// around is the covariance of a change by noise, this matrix over the precision, and by the error of the signatures.
func around(noise *matrix, c change, precision float64) matrix {
	v := matrix{}.plus(1/precision, noise)
	for j, at := range []int{0, 3, 5} {
		v[at] += signatureError * signatureError * c.size[j] * c.size[j]
	}
	return v
}

// beyond is the χ² that no amount of dirt explains, allowing for the error of its direction.
func (g *signatures) beyond(noise *matrix, c change, precision float64) float64 {
	v := around(noise, c, precision)
	l, ok := v.cholesky()
	if !ok {
		return 0
	}
	amount := l.whiten(c.size).dot(l.whiten(g.dirt)) / l.chi2(g.dirt)
	v = v.outer(amount*amount*g.kinds*g.kinds, g.ratio)
	if l, ok = v.cholesky(); !ok {
		return 0
	}
	z, d := l.whiten(c.size), l.whiten(g.dirt)
	along := z.dot(d)
	return z.dot(z) - along*along/d.dot(d)
}

// isolate weighs every cause in both shapes. A change is a normal vector about zero whose covariance is that of the
// estimate, plus the dirt that may have come or gone, plus the cause's own signature times its scale. What speaks for and against
// each is left to explain.
func (g *signatures) isolate(step, rise change, s *scatter) (causes []Cause, sure bool) {
	mean := s.mean()
	total := 0.0
	top := math.Max(step.gain, rise.gain)
	fits := false
	for _, h := range g.hypotheses {
		p, explained := h.weigh(g, step, &mean, (step.gain-top)/2, 1-h.slow)
		q, also := h.weigh(g, rise, &mean, (rise.gain-top)/2, h.slow)
		fits = fits || explained || also
		causes = append(causes, Cause{Name: h.name, Probability: p + q})
		total += p + q
	}
	if !(total > 0) || !fits {
		return []Cause{{Name: "other", Probability: 1}}, false
	}
	for i := range causes {
		causes[i].Probability /= total
	}
	slices.SortStableFunc(causes, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return causes, named(causes)
}

// explain says what speaks for each cause and against it, a change having been found in noise of which this is that of a mean.
func (g *signatures) explain(causes []Cause, c change, mean *matrix) {
	for i := range causes {
		for _, h := range g.hypotheses {
			if h.name == causes[i].Name {
				causes[i].For, causes[i].Against = h.evidence(g, c, mean)
			}
		}
	}
}

// better is the shape that explains more.
func better(step, rise change) change {
	if rise.gain > step.gain {
		return rise
	}
	return step
}

// named says whether the first cause can be named.
func named(causes []Cause) bool {
	return causes[0].Probability >= namedAbove && causes[0].Name != "other" && len(causes) > 1 && causes[1].Probability < causes[0].Probability*math.Exp(-guard)
}

// dirtFirst says whether dirt is the first of the causes.
func dirtFirst(causes []Cause) bool { return causes[0].Name == fouling }

// airSide says whether a change is most probably dirt or a blocked inlet, which the three deviations can't tell apart.
func airSide(causes []Cause) bool {
	p := 0.0
	for _, c := range causes {
		if c.Name == fouling || c.Name == "inlet" {
			p += c.Probability
		}
	}
	return p > 0.5
}

// leastDirt is the standard deviation of dirt, in units of its signature, that is always allowed for.
const leastDirt = 0.1

// weigh is the marginal likelihood of a shape under a cause, up to a common factor, and whether the cause explains the size.
func (h hypothesis) weigh(s *signatures, c change, mean *matrix, shape, shapePrior float64) (likelihood float64, explained bool) {
	if c.gain <= 0 {
		return 0, false
	}
	expected, moved := s.dirtMoved(c.days, c.washes)
	v := around(mean, c, c.precision).plus(leastDirt*leastDirt+moved, &s.spread)
	l, ok := v.cholesky()
	if !ok {
		return 0, false
	}
	z, g := l.whiten(c.size.plus(-1, expected)), l.whiten(h.signature)
	chi2, along, strength := z.dot(z), z.dot(g), h.scale*h.scale*g.dot(g)
	// Adding scale²·g·gᵀ to the covariance (Sherman–Morrison): χ² falls by scale²·along²/(1+strength).
	fall := h.scale * h.scale * along * along / (1 + strength)
	likelihood = h.prior * shapePrior * math.Exp((fall-chi2-l.logDet()-math.Log(1+strength))/2+shape)
	if h.oneWay { // half a normal: twice the part of the posterior with the right sign
		mean, sd := h.scale*h.scale*along/(1+strength), h.scale/math.Sqrt(1+strength)
		likelihood *= math.Erfc(-mean / sd / math.Sqrt2)
	}
	return likelihood, chi2-fall < gate
}
