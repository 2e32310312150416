// Package regress is the statistics under the trend: least squares with honest standard errors, robust lines, regression with
// AR(1) noise, break points of unknown date, a local level, and when a line reaches a limit.
//
// Least squares goes by Householder QR on columns of one size, refined with residuals in twice the precision, so that
// ill-conditioned data keep their digits. Everything is checked against certified or reference values; see the tests. What
// the data don't determine is an error: no NaN or infinity comes out.
package regress

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// ErrUndetermined says that the data don't determine the coefficients: too few, or columns that say the same.
var ErrUndetermined = errors.New("the data do not determine the coefficients")

// Fit is a regression: coefficients in the order of the columns, in the unit of y over that of the column.
type Fit struct {
	*Design

	Coefficients   []float64
	StandardErrors []float64 // for independent noise of one size
	Residuals      []float64
	RSS            float64 // sum of squared residuals
	Sigma          float64 // standard deviation of the noise, with n − k
	RSquared       float64 // about the mean; 0 for equal y
}

// Design is the rows of regressors of one or several regressions, factorised once.
type Design struct {
	x        [][]float64
	scale    []float64 // of the columns
	qr       mat.QR
	unscaled *mat.Dense  // (XᵀX)⁻¹
	pull     [][]float64 // by row: what its value adds to each coefficient, X·(XᵀX)⁻¹
	crossed  [][]float64 // by lag and coefficient: see cross
}

// maxSize bounds what is accepted, so that squares stay finite.
const maxSize = 1e100

// OLS fits y = X·b by least squares. Rows of x are observations; a constant is a column of ones. Errors: ErrUndetermined, and
// sentences about the shape or the size of the data.
func OLS(x [][]float64, y []float64) (*Fit, error) {
	d, err := NewDesign(x)
	if err != nil {
		return nil, err
	}
	return d.Fit(y)
}

// NewDesign factorises rows of regressors, which must not change after. Errors are those of OLS.
func NewDesign(x [][]float64) (*Design, error) {
	if err := checkRows(x); err != nil {
		return nil, err
	}
	n, k := len(x), len(x[0])
	d := &Design{x: x, scale: columnSizes(x)}
	design := mat.NewDense(n, k, nil)
	for i, row := range x {
		for j, v := range row {
			design.Set(i, j, v/d.scale[j])
		}
	}
	d.qr.Factorize(design)
	if c := d.qr.Cond(); !(c < 1e12) {
		return nil, ErrUndetermined
	}
	var triangle mat.Dense
	d.qr.RTo(&triangle)
	inverse := mat.NewDense(k, k, nil)
	if err := inverse.Inverse(triangle.Slice(0, k, 0, k)); err != nil && !isWarning(err) {
		return nil, ErrUndetermined
	}
	d.unscaled = mat.NewDense(k, k, nil)
	d.unscaled.Mul(inverse, inverse.T())
	d.unscaled.Apply(func(i, j int, v float64) float64 { return v / d.scale[i] / d.scale[j] }, d.unscaled)
	return d, nil
}

// Fit is OLS for values that go with the rows. Errors are those of OLS.
func (d *Design) Fit(y []float64) (*Fit, error) {
	if err := checkValues(y, len(d.x)); err != nil {
		return nil, err
	}
	k := len(d.scale)
	f := &Fit{Design: d, Coefficients: make([]float64, k), Residuals: append([]float64{}, y...)}
	var first mat.Dense
	if err := d.qr.SolveTo(&first, false, mat.NewDense(len(y), 1, append([]float64{}, y...))); err != nil {
		return nil, ErrUndetermined
	}
	for j := range k {
		f.Coefficients[j] = first.At(j, 0) / d.scale[j]
	}
	f.refine(y)
	if err := f.finish(y); err != nil {
		return nil, err
	}
	return f, nil
}

// isWarning says whether gonum solved, with doubts about the conditioning that the residuals settle.
func isWarning(err error) bool {
	condition, ok := errors.AsType[mat.Condition](err)
	return ok && !math.IsInf(float64(condition), 0)
}

// refine improves the coefficients by the seminormal equations, with residuals and their products in twice the precision, until
// they stay as they are, three times at most.
func (f *Fit) refine(y []float64) {
	f.subtract(y)
	score := make([]float64, len(f.Coefficients))
	for range 3 {
		if !f.improve(score) {
			return
		}
		f.subtract(y)
	}
}

// subtract works the residuals out.
func (f *Fit) subtract(y []float64) {
	for i, row := range f.x {
		f.Residuals[i] = residual(y[i], row, f.Coefficients)
	}
}

// improve moves the coefficients by what the residuals still say of them, and reports whether any is another number then.
func (f *Fit) improve(score []float64) (moved bool) {
	for j := range score {
		score[j] = f.score(j)
	}
	for i, old := range f.Coefficients {
		step := 0.0
		for j, a := range f.unscaled.RawRowView(i) {
			step += a * score[j]
		}
		f.Coefficients[i] = old + step
		moved = moved || f.Coefficients[i] != old
	}
	return moved
}

// score is a column times the residuals, in twice the precision.
func (f *Fit) score(j int) float64 {
	var sum double
	for i, row := range f.x {
		sum.addProduct(row[j], f.Residuals[i])
	}
	return sum.high + sum.low
}

// finish adds up what the residuals say.
func (f *Fit) finish(y []float64) error {
	n, k := len(f.x), len(f.Coefficients)
	f.RSS = sumSquares(f.Residuals)
	f.Sigma = math.Sqrt(f.RSS / float64(n-k))
	for j := range k {
		f.StandardErrors = append(f.StandardErrors, f.Sigma*math.Sqrt(f.unscaled.At(j, j)))
	}
	mean, total := Mean(y), 0.0
	for _, v := range y {
		total += (v - mean) * (v - mean)
	}
	if total > 0 {
		f.RSquared = 1 - f.RSS/total
	}
	return checkFinite(append(append([]float64{f.RSS, f.RSquared}, f.Coefficients...), f.StandardErrors...))
}

func checkShape(x [][]float64, y []float64) error {
	if err := checkRows(x); err != nil {
		return err
	}
	return checkValues(y, len(x))
}

func checkRows(x [][]float64) error {
	if len(x) == 0 || len(x[0]) == 0 || len(x) <= len(x[0]) {
		return ErrUndetermined
	}
	for i, row := range x {
		if len(row) != len(x[0]) {
			return fmt.Errorf("row %d has %d regressors, the first one %d", i+1, len(row), len(x[0]))
		}
		for _, v := range row {
			if !(math.Abs(v) <= maxSize) {
				return fmt.Errorf("row %d has the regressor %g", i+1, v)
			}
		}
	}
	return nil
}

func checkValues(y []float64, rows int) error {
	if rows != len(y) {
		return fmt.Errorf("%d rows of regressors do not go with %d values", rows, len(y))
	}
	for i, v := range y {
		if !(math.Abs(v) <= maxSize) {
			return fmt.Errorf("value %d is %g", i+1, v)
		}
	}
	return nil
}

func checkFinite(values []float64) error {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ErrUndetermined
		}
	}
	return nil
}

// columnSizes are powers of two near the columns' largest values, so that scaling loses no digit.
func columnSizes(x [][]float64) []float64 {
	scale := make([]float64, len(x[0]))
	for j := range scale {
		for _, row := range x {
			scale[j] = math.Max(scale[j], math.Abs(row[j]))
		}
		_, exponent := math.Frexp(scale[j])
		scale[j] = math.Ldexp(1, exponent)
	}
	return scale
}

// double is a sum in twice the precision: products and sums keep their rounding errors (Dekker, Knuth).
type double struct{ high, low float64 }

func (d *double) addProduct(a, b float64) {
	p := a * b
	e := math.FMA(a, b, -p)
	s := d.high + p
	t := s - d.high
	d.low += (d.high - (s - t)) + (p - t) + e
	d.high = s
}

// residual is y − x·b in twice the precision.
func residual(y float64, x, b []float64) float64 {
	sum := double{high: y}
	for j, v := range x {
		sum.addProduct(-v, b[j])
	}
	return sum.high + sum.low
}

func sumSquares(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return sum
}

// NeweyWest are standard errors that hold when the noise remembers itself over this many observations: Bartlett weights
// (Newey and West, Econometrica 55 (1987) 703), with the small-sample factor n/(n − k) when asked.
func (f *Fit) NeweyWest(lags int, small bool) ([]float64, error) {
	n, k := len(f.x), len(f.Coefficients)
	if lags < 0 || lags >= n {
		return nil, fmt.Errorf("%d lags do not go with %d observations", lags, n)
	}
	correction := 1.0
	if small {
		correction = float64(n) / float64(n-k)
	}
	moved := make([][]float64, n)
	for t, pull := range f.pulls() {
		moved[t] = make([]float64, k)
		for j, v := range pull {
			moved[t][j] = v * f.Residuals[t]
		}
	}
	sum := make([]float64, k)
	for l := range lags + 1 {
		for j, v := range crossed(moved, l) {
			sum[j] += (1 - float64(l)/float64(lags+1)) * v
		}
	}
	return roots(sum, correction)
}

// Correlated are standard errors for noise of this variance whose autocorrelation at lag 1, 2 … is known, and zero beyond;
// observations are evenly spaced.
func (f *Fit) Correlated(variance float64, related []float64) ([]float64, error) {
	sum := make([]float64, len(f.Coefficients))
	for l := range min(len(related), len(f.x)-1) + 1 {
		weight := 1.0
		if l > 0 {
			weight = related[l-1]
		}
		for j, v := range f.cross(l) {
			sum[j] += weight * v
		}
	}
	return roots(sum, variance)
}

// pulls are what each observation adds to each coefficient, for one unit of its value. A coefficient's variance is the sum over
// pairs of observations of the product of their pulls and their noise's covariance, which is the diagonal of the sandwich
// (XᵀX)⁻¹·Xᵀ·Ω·X·(XᵀX)⁻¹.
func (d *Design) pulls() [][]float64 {
	if d.pull != nil {
		return d.pull
	}
	k := len(d.scale)
	d.pull = make([][]float64, len(d.x))
	cells := make([]float64, k*len(d.x))
	for t, row := range d.x {
		d.pull[t] = cells[t*k : (t+1)*k]
		for i, v := range row {
			for j, a := range d.unscaled.RawRowView(i) {
				d.pull[t][j] += v * a
			}
		}
	}
	return d.pull
}

// cross is crossed of the pulls. It is worked out once, lag by lag.
func (d *Design) cross(lag int) []float64 {
	for l := len(d.crossed); l <= lag; l++ {
		d.crossed = append(d.crossed, crossed(d.pulls(), l))
	}
	return d.crossed[lag]
}

// crossed is, by column, the sum of products of rows so many apart, both ways.
func crossed(rows [][]float64, lag int) []float64 {
	sum := make([]float64, len(rows[0]))
	for t := lag; t < len(rows); t++ {
		for j, v := range rows[t-lag] {
			sum[j] += v * rows[t][j]
		}
	}
	if lag > 0 {
		for j := range sum {
			sum[j] *= 2
		}
	}
	return sum
}

// roots are standard errors from variances, up to a factor.
func roots(variances []float64, factor float64) ([]float64, error) {
	for j, v := range variances {
		variances[j] = math.Sqrt(math.Max(0, factor*v))
	}
	return variances, checkFinite(variances)
}

// Lags is a usual number of lags for n observations: ⌊4·(n/100)^(2/9)⌋.
func Lags(n int) int { return int(4 * math.Pow(float64(max(n, 1))/100, 2.0/9)) }

// LagOne is the autocorrelation of the residuals at lag one.
func (f *Fit) LagOne() float64 {
	if f.RSS == 0 {
		return 0
	}
	sum := 0.0
	for t := 1; t < len(f.Residuals); t++ {
		sum += f.Residuals[t] * f.Residuals[t-1]
	}
	return sum / f.RSS
}

// Mean of values; 0 of none.
func Mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / math.Max(1, float64(len(v)))
}
