package regress

import (
	"errors"
	"math"
	"testing"
)

// NIST Statistical Reference Datasets, Norris: certified values.
func TestNorris(t *testing.T) {
	rows := table(t, "norris")
	f, err := OLS(design(column(rows, 0)), column(rows, 1))
	if err != nil {
		t.Fatal(err)
	}
	relative(t, "b0", f.Coefficients[0], -0.262323073774029, 2e-13)
	relative(t, "b1", f.Coefficients[1], 1.00211681802045, 1e-14)
	relative(t, "se0", f.StandardErrors[0], 0.232818234301152, 1e-13)
	relative(t, "se1", f.StandardErrors[1], 0.429796848199937e-3, 1e-13)
	relative(t, "sigma", f.Sigma, 0.884796396144373, 1e-13)
	relative(t, "R²", f.RSquared, 0.999993745883712, 1e-14)
}

// NIST Statistical Reference Datasets, Longley: certified values, typed from memory (the reference run holds statsmodels
// beside them).
func TestLongley(t *testing.T) {
	rows := table(t, "longley")
	f, err := OLS(design(column(rows, 1), column(rows, 2), column(rows, 3), column(rows, 4), column(rows, 5), column(rows, 6)), column(rows, 0))
	if err != nil {
		t.Fatal(err)
	}
	for j, want := range []float64{
		-3482258.63459582, 15.0618722713733, -0.358191792925910e-1, -2.02022980381683, -1.03322686717359, -0.511041056535807e-1, 1829.15146461355,
	} {
		relative(t, "coefficient", f.Coefficients[j], want, 5e-15)
	}
	for j, want := range []float64{
		890420.383607373, 84.9149257747669, 0.334910077722432e-1, 0.488399681651699, 0.214274163161675, 0.226073200069370, 455.478499142212,
	} {
		relative(t, "standard error", f.StandardErrors[j], want, 5e-13)
	}
	relative(t, "sigma", f.Sigma, 304.854073561965, 1e-13)
	relative(t, "R²", f.RSquared, 0.995479004577296, 1e-13)
}

// The step at the wash of washrun: least squares and both kinds of standard errors by statsmodels 0.13.5 and R 4.2.2
// (sandwich::NeweyWest), maximum likelihood with AR(1) noise by R's arima.
func TestStepOfTheWashRun(t *testing.T) {
	rows := table(t, "washrun")
	hours, y := column(rows, 0), column(rows, 1)
	x := design(hours, after(hours, 600))
	f, err := OLS(x, y)
	if err != nil {
		t.Fatal(err)
	}
	for j, want := range []float64{0.00413711683, 0.0210207781, -9.28718073} {
		relative(t, "coefficient", f.Coefficients[j], want, 1e-7)
	}
	for j, want := range []float64{0.417846, 0.00117761, 0.693881406} {
		relative(t, "standard error", f.StandardErrors[j], want, 5e-6)
	}
	plain, err := f.NeweyWest(4, false)
	if err != nil {
		t.Fatal(err)
	}
	small, err := f.NeweyWest(4, true)
	if err != nil {
		t.Fatal(err)
	}
	relative(t, "Newey–West", plain[2], 0.855050569, 1e-8)
	relative(t, "Newey–West, small sample", small[2], 0.868172, 1e-6)
	near(t, "lag one", f.LagOne(), 0.310997995, 1e-8)
	if Lags(len(y)) != 4 {
		t.Errorf("%d lags", Lags(len(y)))
	}
	a, err := FitAR1(x, y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "φ", a.Phi, 0.31860, 1e-4)
	relative(t, "hours", a.Coefficients[1], 0.0208117, 1e-4)
	relative(t, "step", a.Coefficients[2], -9.206108, 1e-5)
	relative(t, "standard error of the step", a.StandardErrors[2], 0.904139, 1e-3)
}

// Huber's regression of stackloss by statsmodels 0.13.5 (RLM, HuberT).
func TestHuberOnStackloss(t *testing.T) {
	rows := table(t, "stackloss")
	f, err := Huber(design(column(rows, 0), column(rows, 1), column(rows, 2)), column(rows, 3), 1.345)
	if err != nil {
		t.Fatal(err)
	}
	for j, want := range []float64{-41.0265, 0.82938, 0.92607, -0.12785} {
		near(t, "coefficient", f.Coefficients[j], want, 1e-4)
	}
	if f.Weights[20] > 0.5 {
		t.Errorf("the outlier has the weight %g", f.Weights[20])
	}
}

// Outliers of washrun by the definition in Python (17, 52 and 83 are planted), and scipy 1.10.1's theilslopes on both columns.
func TestRobustOnTheWashRun(t *testing.T) {
	rows := table(t, "washrun")
	got := Hampel(column(rows, 2), 5, 3, 0)
	want := []int{13, 17, 37, 52, 83}
	if len(got) != len(want) {
		t.Fatalf("flagged %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("flagged %v, want %v", got, want)
		}
	}
	var late [][]float64
	for _, r := range rows {
		if r[0] >= 600 {
			late = append(late, r)
		}
	}
	s, err := TheilSen(column(late, 0), column(late, 2), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", s.Estimate, 0.0185329, 1e-7)
	near(t, "low", s.Low, 0.0144875, 1e-7)
	near(t, "high", s.High, 0.02405, 1e-7)
	s, err = TheilSen(column(late, 0), column(late, 1), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	relative(t, "clean slope", s.Estimate, 0.0182046218487, 1e-10)
}

// Median and MAD of the chem data (24 determinations of copper in flour) by R's median and mad.
func TestMedianAndMAD(t *testing.T) {
	chem := []float64{2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4, 2.2, 3.5, 3.6, 3.7, 3.7}
	near(t, "median", Median(chem), 3.385, 1e-12)
	near(t, "MAD", MAD(chem), 0.526323, 1e-6)
	if Median(nil) != 0 || MAD(nil) != 0 {
		t.Error("none has a median")
	}
}

// The line after the wash reaches 12 by Fieller's theorem, and one new reading at 1,200 h, by statsmodels and Python.
func TestForecast(t *testing.T) {
	rows := table(t, "washrun")
	var x, y []float64
	for _, r := range rows {
		if r[0] >= 600 {
			x, y = append(x, r[0]), append(y, r[1])
		}
	}
	l, err := FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	relative(t, "intercept", l.Intercept, -7.761119, 1e-6)
	relative(t, "slope", l.Slope, 0.0191064, 1e-5)
	line, err := l.Crossing(12, 0.95, false)
	if err != nil {
		t.Fatal(err)
	}
	single, err := l.Crossing(12, 0.95, true)
	if err != nil {
		t.Fatal(err)
	}
	at, err := l.Predict(1200, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range []struct{ got, want Interval }{
		{line, Interval{1034.27, 983.57, 1111.52}}, {single, Interval{1034.27, 864.05, 1231.03}}, {at, Interval{15.166570, 11.474262, 18.858878}},
	} {
		for _, pair := range [][2]float64{{c.got.Estimate, c.want.Estimate}, {c.got.Low, c.want.Low}, {c.got.High, c.want.High}} {
			if math.Abs(pair[0]-pair[1]) > 0.01 {
				t.Errorf("%d: %+v, want %+v", i, c.got, c.want)
			}
		}
	}
	for i := range y {
		y[i] = -y[i]
	}
	falling, err := FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := falling.Crossing(12, 0.95, false); !errors.Is(err, ErrNoDate) {
		t.Errorf("a falling line reaches the limit at %+v (%v)", got, err)
	}
	flat, err := FitLine([]float64{0, 1, 2, 3}, []float64{0, 1, 0, 1})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := flat.Crossing(12, 0.95, false); !errors.Is(err, ErrNoDate) {
		t.Errorf("an uncertain line reaches the limit at %+v (%v)", got, err)
	}
}

// The Nile's local level with the variances of Durbin and Koopman, by the recursion in Python.
func TestLevelOfTheNile(t *testing.T) {
	levels, likelihood, err := LocalLevel(column(table(t, "nile"), 1), 15099, 1469.1, 1e7)
	if err != nil {
		t.Fatal(err)
	}
	last := levels[len(levels)-1]
	near(t, "last", last.Mean, 798.3703, 1e-4)
	near(t, "variance", last.Variance, 4032.158, 1e-3)
	near(t, "first", levels[0].Mean, 1118.3115, 1e-4)
	near(t, "likelihood", likelihood, -632.544, 0.001)
}

func TestUndeterminedFitsAreRefused(t *testing.T) {
	same := [][]float64{{1, 2}, {1, 2}, {1, 2}, {1, 2}}
	y := []float64{1, 2, 3, 4}
	for name, c := range map[string]struct {
		x [][]float64
		y []float64
	}{
		"equal rows": {same, y}, "few": {same[:2], y[:2]}, "none": {nil, nil}, "lengths": {same, y[:3]},
		"NaN": {[][]float64{{1, 1}, {1, 2}, {1, math.NaN()}}, y[:3]}, "infinite": {[][]float64{{1, 1}, {1, 2}, {1, 3}}, []float64{1, 2, math.Inf(1)}},
		"ragged": {[][]float64{{1, 1}, {1}, {1, 3}}, y[:3]}, "zeros": {[][]float64{{0, 1}, {0, 2}, {0, 4}}, y[:3]},
	} {
		if f, err := OLS(c.x, c.y); err == nil {
			t.Errorf("%s: %+v", name, f.Coefficients)
		}
	}
	if _, err := TheilSen([]float64{1, 1, 1}, []float64{1, 2, 3}, 0.9); !errors.Is(err, ErrUndetermined) {
		t.Error(err)
	}
	if f, err := FitAR1([][]float64{{1, 1}, {1, 2}, {1, 3}, {1, 4}}, y); err == nil {
		t.Errorf("a line without noise: %+v", f)
	}
}
