// Package estimators lends the estimators of the performance service to comparisons outside it, such as the one with other
// statistics software. The methods and their sources are in the service's packages regress and economy; units are the
// caller's.
package estimators

import (
	"coldsection.example/services/performance/internal/economy"
	"coldsection.example/services/performance/internal/regress"
)

// The types, each described in package regress or economy.
type (
	// Fit is a regression by least squares.
	Fit = regress.Fit
	// AR1 is a regression whose noise is autoregressive of first order.
	AR1 = regress.AR1
	// RobustFit is a regression by Huber's weights.
	RobustFit = regress.RobustFit
	// Slope is a robust slope with its interval.
	Slope = regress.Slope
	// Partition is a series cut into segments.
	Partition = regress.Partition
	// Line is a straight line with what its intervals need.
	Line = regress.Line
	// Level is a filtered level with its variance.
	Level = regress.Level
	// Loss is what dirt costs.
	Loss = economy.Loss
	// Wash is what one wash takes.
	Wash = economy.Wash
)

// OLS is the regression by least squares.
func OLS(x [][]float64, y []float64) (*Fit, error) { return regress.OLS(x, y) }

// FitAR1 is the regression by maximum likelihood with noise that remembers.
func FitAR1(x [][]float64, y []float64) (*AR1, error) { return regress.FitAR1(x, y) }

// Huber is the robust regression.
func Huber(x [][]float64, y []float64, k float64) (*RobustFit, error) { return regress.Huber(x, y, k) }

// TheilSen is the robust slope.
func TheilSen(x, y []float64, confidence float64) (Slope, error) {
	return regress.TheilSen(x, y, confidence)
}

// Segment finds the best cuts of a regression.
func Segment(x [][]float64, y []float64, least, most int) ([]Partition, error) {
	return regress.Segment(x, y, least, most)
}

// Chosen is the partition that the Bayesian information criterion takes.
func Chosen(parts []Partition) Partition { return regress.Chosen(parts) }

// BreakInterval is where a break lies.
func BreakInterval(x [][]float64, y []float64, from, at, to int, confidence float64) (low, high int, err error) {
	return regress.BreakInterval(x, y, from, at, to, confidence)
}

// FitLine is the line of least squares.
func FitLine(x, y []float64) (*Line, error) { return regress.FitLine(x, y) }

// LocalLevel filters a level that walks at random.
func LocalLevel(y []float64, noise, walk, first float64) ([]Level, float64, error) {
	return regress.LocalLevel(y, noise, walk, first)
}

// Interval is the wash interval that costs least [h]; 0 when there is none. Errors are those of economy.Best.
func Interval(l Loss, w Wash) (float64, error) {
	p, err := economy.Best(l, w)
	return p.Hours, err
}
