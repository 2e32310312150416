package regress

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// normalMAD makes the median absolute deviation the standard deviation of normal noise.
const normalMAD = 1.4826022185056018

// Median of values, which it leaves as they are; 0 of none.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}

// MAD is the median absolute deviation about the median, scaled to the standard deviation of normal noise.
func MAD(v []float64) float64 {
	m := Median(v)
	d := make([]float64, len(v))
	for i, x := range v {
		d[i] = math.Abs(x - m)
	}
	return normalMAD * Median(d)
}

// Hampel are the places of outliers: further than this many sigmas from the median of the window of ±half places, cut at the
// ends, sigma being 1.4826 times the median absolute deviation there but at least floor (Hampel's identifier). A window that
// is flat to the last digit with floor 0 flags nothing.
func Hampel(v []float64, half int, sigmas, floor float64) []int {
	var flagged []int
	for i, x := range v {
		window := v[max(0, i-half):min(len(v), i+half+1)]
		s := math.Max(floor, MAD(window)/normalMAD*1.4826)
		if s > 0 && math.Abs(x-Median(window)) > sigmas*s {
			flagged = append(flagged, i)
		}
	}
	return flagged
}

// RobustFit is a regression that outliers hardly move.
type RobustFit struct {
	Coefficients   []float64
	StandardErrors []float64 // for independent noise
	Residuals      []float64
	Scale          float64   // of the noise, by the median of the absolute residuals
	Weights        []float64 // 1 for what was taken whole
	Iterations     int
}

const (
	settled     = 1e-8 // the step, in standard errors, below which a coefficient rests
	mostRounds  = 200
	scaleRounds = 50 // after which the scale is kept, since scale and coefficients can follow each other for thousands of rounds
)

// Huber fits y = X·b with Huber's weights (constant k, 1.345 for 95 % efficiency): least squares again and again with the
// scale by the median absolute residual, until nothing moves; after fifty rounds with the scale of then. Errors: those of OLS,
// and when it does not settle in 200 rounds.
func Huber(x [][]float64, y []float64, k float64) (*RobustFit, error) {
	if !(k > 0.1 && k < 100) {
		return nil, fmt.Errorf("a constant of %g for Huber's weights is outside 0.1 to 100", k)
	}
	f, err := OLS(x, y)
	if err != nil {
		return nil, err
	}
	out := &RobustFit{Coefficients: f.Coefficients, Residuals: f.Residuals, Weights: make([]float64, len(y))}
	whole := 1e-12 * math.Sqrt(sumSquares(y)/float64(len(y)))
	for out.Iterations = 1; out.Iterations <= mostRounds; out.Iterations++ {
		out.weigh(out.Residuals, k, whole, out.Iterations <= scaleRounds)
		b, err := weighted(x, y, out.Weights)
		if err != nil {
			return nil, err
		}
		moved := 0.0
		for j := range b {
			moved = math.Max(moved, math.Abs(b[j]-out.Coefficients[j])/(whole+out.Scale)/math.Sqrt(f.unscaled.At(j, j)))
		}
		out.Coefficients = b
		for i, row := range x {
			out.Residuals[i] = residual(y[i], row, b)
		}
		if moved < settled || out.Scale <= whole {
			err := out.uncertain(f, k)
			return out, err
		}
	}
	return nil, errors.New("the robust fit does not settle")
}

// weigh sets weights from residuals, and the scale while it may move. A scale of rounding only means that half of the points lie on the fit: then
// those that do count and the others don't.
func (f *RobustFit) weigh(residuals []float64, k, rounding float64, rescale bool) {
	absolute := make([]float64, len(residuals))
	for i, r := range residuals {
		absolute[i] = math.Abs(r)
	}
	if rescale {
		f.Scale = normalMAD * Median(absolute)
	}
	for i, a := range absolute {
		f.Weights[i] = math.Min(1, k*math.Max(f.Scale, rounding)/math.Max(a, 1e-300))
	}
}

// uncertain sets the standard errors: those of least squares with the variance of Huber's ψ over the square of its mean slope,
// corrected for the number of coefficients (Huber, Robust Statistics (1981), section 7.6, equation 6.5, first form; checked
// against statsmodels).
func (f *RobustFit) uncertain(first *Fit, k float64) error {
	n, p := float64(len(f.Residuals)), float64(len(f.Coefficients))
	f.StandardErrors = make([]float64, len(f.Coefficients))
	if f.Scale == 0 {
		return nil
	}
	squares, whole := 0.0, 0.0
	for _, r := range f.Residuals {
		z := math.Min(k, math.Abs(r)/f.Scale)
		squares += z * z
		if z < k {
			whole++
		}
	}
	slope := whole / n // the mean slope of ψ, whose variance is slope·(1 − slope)
	if slope == 0 {
		return ErrUndetermined
	}
	correction := 1 + p/n*(1-slope)/slope
	factor := correction * f.Scale / slope * math.Sqrt(squares/(n-p))
	for j := range f.StandardErrors {
		f.StandardErrors[j] = factor * math.Sqrt(first.unscaled.At(j, j))
	}
	return checkFinite(f.StandardErrors)
}

// weighted is least squares with weights.
func weighted(x [][]float64, y, weights []float64) ([]float64, error) {
	rows, values := make([][]float64, len(x)), make([]float64, len(y))
	for i, row := range x {
		root := math.Sqrt(weights[i])
		rows[i] = make([]float64, len(row))
		for j, v := range row {
			rows[i][j] = root * v
		}
		values[i] = root * y[i]
	}
	f, err := OLS(rows, values)
	if err != nil {
		return nil, err
	}
	return f.Coefficients, nil
}

// Slope is a robust slope with its interval.
type Slope struct{ Estimate, Low, High float64 }

// TheilSen is the median of the slopes between all pairs (Sen, J. Am. Stat. Assoc. 63 (1968) 1379) with Sen's interval of this
// confidence from Kendall's statistic. It refuses fewer than three points and equal x.
func TheilSen(x, y []float64, confidence float64) (Slope, error) {
	if len(x) != len(y) || len(x) < 3 || len(x) > 5000 {
		return Slope{}, fmt.Errorf("%d places and %d values do not make a slope; give 3 to 5,000 of each", len(x), len(y))
	}
	if !(confidence > 0 && confidence < 1) {
		return Slope{}, fmt.Errorf("a confidence of %g is outside 0 to 1", confidence)
	}
	for i := range x {
		if !(math.Abs(x[i]) <= maxSize && math.Abs(y[i]) <= maxSize) {
			return Slope{}, fmt.Errorf("point %d is (%g, %g)", i+1, x[i], y[i])
		}
	}
	var slopes []float64
	for i := range x {
		for j := range x {
			if x[j] > x[i] {
				slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	if len(slopes) == 0 {
		return Slope{}, ErrUndetermined
	}
	slices.Sort(slopes)
	n := float64(len(x))
	sigma := math.Sqrt(math.Max(0, (n*(n-1)*(2*n+5)-ties(x)-ties(y))/18))
	z := distuv.UnitNormal.Quantile(1 - (1-confidence)/2)
	count := float64(len(slopes))
	upper := min(int(math.RoundToEven((count+z*sigma)/2)), len(slopes)-1)
	lower := max(int(math.RoundToEven((count-z*sigma)/2))-1, 0)
	s := Slope{Median(slopes), slopes[lower], slopes[upper]}
	if err := checkFinite([]float64{s.Estimate, s.Low, s.High}); err != nil {
		return Slope{}, err
	}
	return s, nil
}

// ties is Kendall's correction for equal values: Σ k(k−1)(2k+5).
func ties(v []float64) float64 {
	counts := map[float64]float64{}
	for _, x := range v {
		counts[x]++
	}
	sum := 0.0
	for _, k := range counts {
		sum += k * (k - 1) * (2*k + 5)
	}
	return sum
}
