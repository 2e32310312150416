package regress

import (
	"errors"
	"math"
)

// AR1 is a regression whose noise is autoregressive of first order.
type AR1 struct {
	Coefficients   []float64
	StandardErrors []float64
	Phi            float64 // how much of its noise one observation hands to the next
	PhiError       float64
	Variance       float64 // of what is new in each observation
	LogLikelihood  float64
}

// FitAR1 fits y = X·b + e with e(t) = φ·e(t−1) + u(t) by exact maximum likelihood, observations in order of time and evenly
// spaced. For a φ the coefficients follow by generalised least squares (Prais and Winsten's transformation, the first
// observation kept); φ is searched. Errors: those of OLS, and when y follows X without noise.
func FitAR1(x [][]float64, y []float64) (*AR1, error) {
	if f, err := OLS(x, y); err != nil {
		return nil, err
	} else if f.RSS <= 1e-24*sumSquares(y) {
		return nil, errors.New("the values follow the regressors without noise")
	}
	at := func(phi float64) float64 {
		_, _, l, err := generalised(x, y, phi)
		if err != nil {
			return math.Inf(-1)
		}
		return l
	}
	phi := maximum(at, -0.995, 0.995)
	fit, variance, likelihood, err := generalised(x, y, phi)
	if err != nil {
		return nil, err
	}
	out := &AR1{Coefficients: fit.Coefficients, Phi: phi, Variance: variance, LogLikelihood: likelihood}
	for j := range fit.Coefficients {
		out.StandardErrors = append(out.StandardErrors, math.Sqrt(variance*fit.unscaled.At(j, j)))
	}
	const h = 1e-3
	if curvature := (at(phi+h) - 2*likelihood + at(phi-h)) / (h * h); curvature < 0 {
		out.PhiError = math.Sqrt(-1 / curvature)
	}
	if err := checkFinite(append([]float64{out.PhiError, variance, likelihood}, out.StandardErrors...)); err != nil {
		return nil, err
	}
	return out, nil
}

// generalised is the fit for a known φ, with the variance and the log likelihood that go with it.
func generalised(x [][]float64, y []float64, phi float64) (*Fit, float64, float64, error) {
	n := len(y)
	rows, values := make([][]float64, n), make([]float64, n)
	root := math.Sqrt(1 - phi*phi)
	for t, row := range x {
		rows[t] = make([]float64, len(row))
		for j, v := range row {
			if t == 0 {
				rows[t][j] = root * v
			} else {
				rows[t][j] = v - phi*x[t-1][j]
			}
		}
		if t == 0 {
			values[t] = root * y[t]
		} else {
			values[t] = y[t] - phi*y[t-1]
		}
	}
	f, err := OLS(rows, values)
	if err != nil {
		return nil, 0, 0, err
	}
	variance := f.RSS / float64(n)
	if !(variance > 0) {
		return nil, 0, 0, ErrUndetermined
	}
	likelihood := -float64(n)/2*(math.Log(2*math.Pi*variance)+1) + 0.5*math.Log(1-phi*phi)
	return f, variance, likelihood, nil
}

// maximum finds where a function is largest: the best of a grid, then golden sections.
func maximum(f func(float64) float64, low, high float64) float64 {
	const points = 60
	step := (high - low) / points
	best, value := low, math.Inf(-1)
	for i := range points + 1 {
		if p := low + float64(i)*step; f(p) > value {
			best, value = p, f(p)
		}
	}
	a, b := math.Max(low, best-step), math.Min(high, best+step)
	golden := (math.Sqrt(5) - 1) / 2
	for b-a > 1e-9 {
		c, d := b-golden*(b-a), a+golden*(b-a)
		if f(c) > f(d) {
			b = d
		} else {
			a = c
		}
	}
	return (a + b) / 2
}
