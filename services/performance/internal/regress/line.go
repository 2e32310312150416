package regress

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Line is a straight line with what its intervals need.
type Line struct {
	Intercept, Slope float64
	Sigma            float64 // of the noise
	N                int

	LagOne float64 // autocorrelation of neighbouring residuals

	meanX, meanY, spread float64 // spread is Σ(x − x̄)²
}

// FitLine is the least-squares line. Errors are those of OLS.
func FitLine(x, y []float64) (*Line, error) {
	if len(x) != len(y) || len(x) < 3 {
		return nil, fmt.Errorf("%d places and %d values do not make a line; give at least 3 of each", len(x), len(y))
	}
	meanX := Mean(x)
	rows, spread := make([][]float64, len(x)), 0.0
	for i, v := range x {
		rows[i] = []float64{1, v - meanX}
		spread += (v - meanX) * (v - meanX)
	}
	f, err := OLS(rows, y)
	if err != nil {
		return nil, err
	}
	return &Line{
		Intercept: f.Coefficients[0] - f.Coefficients[1]*meanX, Slope: f.Coefficients[1], Sigma: f.Sigma, N: len(x), LagOne: f.LagOne(),
		meanX: meanX, meanY: f.Coefficients[0], spread: spread,
	}, nil
}

// Widen is the line with this many times the variance of its noise, such as (1+φ)/(1−φ) for the memory of noise that is
// autoregressive of first order: its intervals then allow for it.
func (l *Line) Widen(factor float64) (*Line, error) {
	if !(factor >= 1 && factor <= 1e6) {
		return nil, fmt.Errorf("a variance %g times as large is none", factor)
	}
	wide := *l
	wide.Sigma *= math.Sqrt(factor)
	return &wide, nil
}

// At is the line at x.
func (l *Line) At(x float64) float64 { return l.meanY + l.Slope*(x-l.meanX) }

// SlopeInterval is the slope with its interval.
func (l *Line) SlopeInterval(confidence float64) (Interval, error) {
	t, err := l.student(confidence)
	if err != nil {
		return Interval{}, err
	}
	half := t * l.Sigma / math.Sqrt(l.spread)
	return Interval{l.Slope, l.Slope - half, l.Slope + half}.finite()
}

// Interval is an estimate with its bounds.
type Interval struct{ Estimate, Low, High float64 }

func (i Interval) finite() (Interval, error) {
	if err := checkFinite([]float64{i.Estimate, i.Low, i.High}); err != nil {
		return Interval{}, err
	}
	return i, nil
}

// student is the two-sided quantile of Student's t.
func (l *Line) student(confidence float64) (float64, error) {
	if !(confidence > 0 && confidence < 1) {
		return 0, fmt.Errorf("a confidence of %g is outside 0 to 1", confidence)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(l.N - 2)}.Quantile(1 - (1-confidence)/2), nil
}

// Predict is what one new observation at x will be.
func (l *Line) Predict(x, confidence float64) (Interval, error) {
	t, err := l.student(confidence)
	if err != nil {
		return Interval{}, err
	}
	if !(math.Abs(x) <= maxSize) {
		return Interval{}, fmt.Errorf("nothing is predicted at %g", x)
	}
	y := l.meanY + l.Slope*(x-l.meanX)
	half := t * l.Sigma * math.Sqrt(1+1/float64(l.N)+(x-l.meanX)*(x-l.meanX)/l.spread)
	out := Interval{y, y - half, y + half}
	return out.finite()
}

// ErrNoDate says that no crossing can be given: the line does not rise, or so uncertainly that the limit may never be met.
var ErrNoDate = errors.New("the line does not certainly rise to the limit, so no crossing can be given")

// Crossing is where a rising line meets a limit, with Fieller's interval (J. R. Stat. Soc. B 16 (1954) 175): of the line
// itself, or of the first single observation that could. It refuses with ErrNoDate.
func (l *Line) Crossing(limit, confidence float64, single bool) (Interval, error) {
	t, err := l.student(confidence)
	if err != nil {
		return Interval{}, err
	}
	if !(math.Abs(limit) <= maxSize) {
		return Interval{}, fmt.Errorf("a limit of %g is none", limit)
	}
	noise := t * t * l.Sigma * l.Sigma
	a := l.Slope*l.Slope - noise/l.spread // positive when Fieller's g is under 1
	if !(l.Slope > 0 && a > 0) {
		return Interval{}, ErrNoDate
	}
	extra := 1 / float64(l.N)
	if single {
		extra++
	}
	b, c := l.Slope*(limit-l.meanY), (limit-l.meanY)*(limit-l.meanY)-noise*extra
	root := b*b - a*c
	if root < 0 {
		return Interval{}, ErrNoDate
	}
	out := Interval{l.meanX + (limit-l.meanY)/l.Slope, l.meanX + (b-math.Sqrt(root))/a, l.meanX + (b+math.Sqrt(root))/a}
	return out.finite()
}
