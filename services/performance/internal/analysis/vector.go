package analysis

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// vector is a deviation of ITT [°C], Ng [% points] and fuel flow [%].
type vector [3]float64

func (v vector) plus(factor float64, w vector) vector {
	return vector{v[0] + factor*w[0], v[1] + factor*w[1], v[2] + factor*w[2]}
}

func (v vector) times(factor float64) vector { return vector{}.plus(factor, v) }

func (v vector) dot(w vector) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

// noise is the scatter of single readings, jointly in the three deviations.
type noise struct {
	covariance *mat.SymDense
	quadratic  [3]vector // of across
	inflation  float64   // of the variance of means by autocorrelation, (1+ρ)/(1−ρ)
}

// scatter learns the noise from differences three readings apart, which a slow trend and single steps hardly touch, and the
// autocorrelation from how much smaller the differences of neighbours are.
func scatter(all []sample) (noise, bool) {
	d := make([]vector, len(all))
	for i, s := range all {
		d[i] = vector{s.d.ITT, s.d.Ng, s.d.Fuel}
	}
	near, far := differences(d, 1), differences(d, 3)
	out := noise{covariance: mat.NewSymDense(3, nil), inflation: 1}
	ratio := 0.0
	for i := range 3 {
		for j := i; j < 3; j++ {
			out.covariance.SetSym(i, j, far[i][j])
		}
		if far[i][i] > 0 {
			ratio += near[i][i] / far[i][i] / 3
		}
	}
	rho := math.Min(0.5, math.Max(0, 1-ratio))
	out.inflation = (1 + rho) / (1 - rho)
	var chol mat.Cholesky
	if !chol.Factorize(out.covariance) {
		return out, false
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return out, false
	}
	var along mat.VecDense
	along.MulVec(&inverse, mat.NewVecDense(3, dirt[:]))
	length := mat.Dot(&along, mat.NewVecDense(3, dirt[:]))
	for i := range 3 {
		for j := range 3 {
			out.quadratic[i][j] = inverse.At(i, j) - along.AtVec(i)*along.AtVec(j)/length
		}
	}
	return out, true
}

// differences are half the mean products of differences some readings apart, with single jumps cut to four scaled medians.
func differences(d []vector, apart int) (out [3]vector) {
	var columns, cut [3][]float64
	for i := apart; i < len(d); i++ {
		for j := range 3 {
			columns[j] = append(columns[j], d[i][j]-d[i-apart][j])
		}
	}
	for j := range 3 {
		limit := 4 * 1.4826 * medianDistance(columns[j], 0)
		for _, x := range columns[j] {
			cut[j] = append(cut[j], math.Max(-limit, math.Min(limit, x)))
		}
	}
	for i := range 3 {
		for j := range 3 {
			for k := range cut[i] {
				out[i][j] += cut[i][k] * cut[j][k] / 2 / float64(len(cut[i]))
			}
		}
	}
	return out
}

// across is the squared length of a change, in standard deviations of a reading, less the part along the direction of dirt.
func (n *noise) across(v vector) float64 {
	return v[0]*n.quadratic[0].dot(v) + v[1]*n.quadratic[1].dot(v) + v[2]*n.quadratic[2].dot(v)
}

// signatureError is the relative error of each part of a signature, dirt's too: other compressor maps give other ratios.
// Common practice, no source.
const signatureError = 0.15

// around is the covariance of a change: this many times that of a reading, and the error of the signatures.
func (n *noise) around(c change, factor float64) *mat.SymDense {
	v := mat.NewSymDense(3, nil)
	v.ScaleSym(factor, n.covariance)
	for i := range 3 {
		v.SetSym(i, i, v.At(i, i)+signatureError*signatureError*c.size[i]*c.size[i])
	}
	return v
}

// beyond is the χ² that no amount of dirt explains, allowing for the error of its direction.
func (n *noise) beyond(c change, factor float64) float64 {
	d, ok := gaussian(n.around(c, factor), c.size)
	if !ok {
		return 0
	}
	along := d.product(dirt)
	return d.chi2 - along*along/d.square(dirt)
}
