package analysis

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Cause is what may be behind a shift.
type Cause struct {
	Name        string
	Probability float64 // given the readings and the priors below
}

// dirt is the direction in which fouling and washes move a free-turbine engine at constant corrected power: a flow capacity
// of −3 % with an efficiency of −1 %. This and the signatures below are those of the demonstration engine of the project's
// performance handbook (its table of signatures, computed with its cycle model); an operator's engine may differ.
var dirt = vector{10.4, 0.59, 0.85}

// hypothesis is a cause with its signature for one unit, the scale of its size, whether it goes one way only, and the prior
// probability that it comes slowly. Scales and priors are common practice, no source; they are equal where nothing is known.
type hypothesis struct {
	name      string
	signature vector
	scale     float64
	oneWay    bool
	slow      float64
}

var hypotheses = []hypothesis{
	{"fouling", vector{}, 1, false, 0.9}, // its direction is a part of every hypothesis
	{"hot_section", vector{24.5, -0.89, 1.97}, 1, true, 0.9},
	{"bleed_leak", vector{8.9, 0.02, 1.11}, 1.5, true, 0.2},
	{"itt_indication", vector{10, 0, 0}, 1.2, false, 0.05},
	{"torque_indication", vector{-3.9, -0.35, -1.36}, 1.5, false, 0.05},
	{"fuel_flow_indication", vector{0, 0, 1}, 2, false, 0.05},
	{"ng_indication", vector{0, 1, 0}, 0.5, false, 0.05},
	{"power_turbine", vector{2.1, 0.18, 0.71}, 2, true, 0.9},
	{"combustion", vector{-0.1, 0, 1.02}, 1, true, 0.8},
	{"inlet", vector{5.6, 0.29, 0.46}, 2, true, 0.5},
}

const (
	namedAbove = 0.80 // probability of a cause that is named
	guard      = 3.0  // of log probability, χ² 6: any other cause nearer than that means "cannot tell"
	gate       = 13.8 // χ² with two degrees of freedom at 0.1 %: what no hypothesis explains is "other"
	dirtScale  = 1.0  // of dirt that came or went meanwhile, in units of its signature
)

// isolate weighs every cause in both shapes. A change is a normal vector about zero whose covariance is that of the
// estimate, plus the dirt that may have come or gone, plus the cause's own signature times its scale.
func isolate(step, rise change, n *noise) (causes []Cause, named bool) {
	total := 0.0
	top := math.Max(step.gain, rise.gain)
	fits := false
	for _, h := range hypotheses {
		p, explained := h.weigh(step, n, (step.gain-top)/2, 1-h.slow)
		q, also := h.weigh(rise, n, (rise.gain-top)/2, h.slow)
		fits = fits || explained || also
		causes = append(causes, Cause{h.name, p + q})
		total += p + q
	}
	if total <= 0 || !fits {
		return []Cause{{"other", 1}}, false
	}
	for i := range causes {
		causes[i].Probability /= total
	}
	slices.SortStableFunc(causes, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return causes, causes[0].Probability >= namedAbove && causes[1].Probability < causes[0].Probability*math.Exp(-guard)
}

// weigh is the marginal likelihood of a shape under a cause, up to a common factor, and whether the cause explains the size.
func (h hypothesis) weigh(c change, n *noise, shape, prior float64) (likelihood float64, explained bool) {
	if c.gain <= 0 {
		return 0, false
	}
	v := n.around(c, n.inflation/c.precision)
	v.SymRankOne(v, dirtScale*dirtScale, mat.NewVecDense(3, dirt[:]))
	rest, ok := gaussian(v, c.size)
	if !ok {
		return 0, false
	}
	along := rest.product(h.signature)
	strength := h.scale * h.scale * rest.square(h.signature)
	// Adding scale²·g·gᵀ to the covariance (Sherman–Morrison): χ² falls by scale²·along²/(1+strength).
	fall := h.scale * h.scale * along * along / (1 + strength)
	likelihood = prior * math.Exp(rest.log+fall/2-math.Log(1+strength)/2+shape)
	if h.oneWay { // half a normal: twice the part of the posterior with the right sign
		mean, sd := h.scale*h.scale*along/(1+strength), h.scale/math.Sqrt(1+strength)
		likelihood *= math.Erfc(-mean / sd / math.Sqrt2)
	}
	return likelihood, rest.chi2-fall < gate
}

// density is a normal density about zero at a point.
type density struct {
	inverse mat.SymDense
	solved  mat.VecDense // inverse times the point
	chi2    float64
	log     float64
}

func gaussian(v *mat.SymDense, at vector) (density, bool) {
	var chol mat.Cholesky
	d := density{}
	if !chol.Factorize(v) || chol.InverseTo(&d.inverse) != nil {
		return d, false
	}
	point := mat.NewVecDense(3, at[:])
	d.solved.MulVec(&d.inverse, point)
	d.chi2 = mat.Dot(point, &d.solved)
	d.log = -d.chi2/2 - chol.LogDet()/2
	return d, true
}

func (d *density) product(g vector) float64 { return mat.Dot(mat.NewVecDense(3, g[:]), &d.solved) }

func (d *density) square(g vector) float64 {
	x := mat.NewVecDense(3, g[:])
	return mat.Inner(x, &d.inverse, x)
}
