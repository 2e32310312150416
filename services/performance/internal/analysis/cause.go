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

// dirt is the direction in which fouling and washes move a free-turbine engine at constant corrected power: a flow capacity
// of −3 % with an efficiency of −1 %. Other dirt takes another share of flow; ratio is what one more per cent of it does, and
// ratioSpread the standard deviation of the share (ratios of 1 to 5 alike). These and the signatures below are those of the
// demonstration engine of the project's performance handbook (its table of signatures, computed with its cycle model); an
// operator's engine may differ.
var (
	dirt  = vector{10.42, 0.585, 0.849}
	ratio = vector{0.65, 0.269, 0.053}
)

const ratioSpread = 1.41

// dirtSpread is the covariance that one unit of dirt of unknown sign and kind gives a change.
var dirtSpread = matrix{}.outer(1, dirt).outer(ratioSpread*ratioSpread, ratio)

const fouling = "fouling"

// hypothesis is a cause with its signature for one unit, the scale of its size, whether it goes one way only, its prior
// probability relative to the others, and the prior probability that it comes slowly. Scales and priors are common practice,
// no source; they are equal where nothing is known, but that dirt is the usual cause.
type hypothesis struct {
	name      string
	signature vector
	scale     float64
	oneWay    bool
	prior     float64
	slow      float64
}

var hypotheses = []hypothesis{
	{fouling, dirt, 1, true, 6, 0.95}, // more than the usual, which is a part of every hypothesis
	{"hot_section", vector{24.5, -0.89, 1.97}, 1, true, 1, 0.9},
	{"bleed_leak", vector{8.9, 0.02, 1.11}, 1.5, true, 1, 0.2},
	{"itt_indication", vector{10, 0, 0}, 1.2, false, 1, 0.05},
	{"torque_indication", vector{-3.9, -0.35, -1.36}, 1.5, false, 1, 0.05},
	{"fuel_flow_indication", vector{0, 0, 1}, 2, false, 1, 0.05},
	{"ng_indication", vector{0, 1, 0}, 0.5, false, 1, 0.05},
	{"power_turbine", vector{2.1, 0.18, 0.71}, 2, true, 1, 0.9},
	{"combustion", vector{-0.1, 0, 1.02}, 1, true, 1, 0.8},
	{"inlet", vector{5.6, 0.29, 0.46}, 2, true, 1, 0.5},
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
func beyond(noise *matrix, c change, precision float64) float64 {
	v := around(noise, c, precision)
	l, ok := v.cholesky()
	if !ok {
		return 0
	}
	amount := l.whiten(c.size).dot(l.whiten(dirt)) / l.chi2(dirt)
	v = v.outer(amount*amount*ratioSpread*ratioSpread, ratio)
	if l, ok = v.cholesky(); !ok {
		return 0
	}
	z, g := l.whiten(c.size), l.whiten(dirt)
	along := z.dot(g)
	return z.dot(z) - along*along/g.dot(g)
}

// isolate weighs every cause in both shapes. A change is a normal vector about zero whose covariance is that of the
// estimate, plus the dirt that may have come or gone, plus the cause's own signature times its scale.
func isolate(step, rise change, s *scatter) (causes []Cause, named bool) {
	mean := s.mean()
	total := 0.0
	top := math.Max(step.gain, rise.gain)
	better, fits := step, false
	if rise.gain > step.gain {
		better = rise
	}
	for _, h := range hypotheses {
		p, explained := h.weigh(step, &mean, (step.gain-top)/2, 1-h.slow)
		q, also := h.weigh(rise, &mean, (rise.gain-top)/2, h.slow)
		fits = fits || explained || also
		pro, contra := h.evidence(better, &mean)
		causes = append(causes, Cause{h.name, p + q, pro, contra})
		total += p + q
	}
	if !(total > 0) || !fits {
		return []Cause{{Name: "other", Probability: 1}}, false
	}
	for i := range causes {
		causes[i].Probability /= total
	}
	slices.SortStableFunc(causes, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return causes, causes[0].Probability >= namedAbove && causes[1].Probability < causes[0].Probability*math.Exp(-guard)
}

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
func (h hypothesis) weigh(c change, mean *matrix, shape, shapePrior float64) (likelihood float64, explained bool) {
	if c.gain <= 0 {
		return 0, false
	}
	expected, moved := dirtMoved(c.days, c.washes)
	v := around(mean, c, c.precision).plus(leastDirt*leastDirt+moved, &dirtSpread)
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
