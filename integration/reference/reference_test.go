package reference

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"coldsection.example/services/performance/estimators"
)

const (
	folder = "../../services/performance/internal/regress/testdata"
	// python is Debian's, which has the packages; others on the path may not.
	python  = "/usr/bin/python3"
	install = "apt-get install --no-install-recommends python3-numpy python3-scipy python3-statsmodels r-base-core r-cran-strucchange r-cran-sandwich"
)

// figures are what a program says, by name.
type figures map[string][]float64

func run(name string, args ...string) ([]byte, error) {
	var out, complaint bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		return nil, &missing{name, err, complaint.String()}
	}
	return out.Bytes(), nil
}

// missing is a program that is not there or does not work.
type missing struct {
	program string
	err     error
	said    string
}

func (m *missing) Error() string {
	return m.program + " does not answer: " + m.err.Error() + ". As root on Debian: " + install + "\n" + m.said
}

var fromPython = sync.OnceValues(func() (figures, error) {
	out, err := run(python, "reference.py", folder)
	if err != nil {
		return nil, err
	}
	f := figures{}
	return f, json.Unmarshal(out, &f)
})

var fromR = sync.OnceValues(func() (figures, error) {
	out, err := run("Rscript", "--vanilla", "reference.R", folder)
	if err != nil {
		return nil, err
	}
	f := figures{}
	for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
		name, values, _ := strings.Cut(lines.Text(), "\t")
		for text := range strings.FieldsSeq(values) {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return nil, err
			}
			f[name] = append(f[name], v)
		}
	}
	return f, nil
})

// says is what a program says of a thing.
func says(t *testing.T, program func() (figures, error), name string) []float64 {
	t.Helper()
	f, err := program()
	if err != nil {
		t.Fatal(err)
	}
	if len(f[name]) == 0 {
		t.Fatalf("nothing is said of %q", name)
	}
	return f[name]
}

// agree compares figure by figure, relative to their size.
func agree(t *testing.T, what string, ours, theirs []float64, tolerance float64) {
	t.Helper()
	if len(ours) != len(theirs) {
		t.Fatalf("%s: %v beside %v", what, ours, theirs)
	}
	for i := range ours {
		if !(math.Abs(ours[i]-theirs[i]) <= tolerance*math.Max(1e-12, math.Abs(theirs[i]))) {
			t.Errorf("%s, figure %d: %.15g, the reference says %.15g (relative miss %.1e)", what, i, ours[i], theirs[i], math.Abs(ours[i]/theirs[i]-1))
		}
	}
}

// columns reads a data set by columns.
func columns(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(folder + "/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for j, text := range row {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			out[j] = append(out[j], v)
		}
	}
	return out
}

// design puts a constant before the columns.
func design(from ...[]float64) [][]float64 {
	var rows [][]float64
	for i := range from[0] {
		row := []float64{1}
		for _, c := range from {
			row = append(row, c[i])
		}
		rows = append(rows, row)
	}
	return rows
}

func after(hours []float64, at float64) []float64 {
	out := make([]float64, len(hours))
	for i, h := range hours {
		if h >= at {
			out[i] = 1
		}
	}
	return out
}

// ok is a value; without one the test ends here.
func ok[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// NIST StRD: ours within the certified digits, the references within what their own arithmetic keeps.
func TestCertifiedRegressions(t *testing.T) {
	d := columns(t, "norris")
	f := ok(estimators.OLS(design(d[0]), d[1]))(t)
	ours := slices.Concat(f.Coefficients, f.StandardErrors, []float64{f.Sigma, f.RSquared})
	certified := []float64{-0.262323073774029, 1.00211681802045, 0.232818234301152, 0.429796848199937e-3, 0.884796396144373, 0.999993745883712}
	agree(t, "Norris beside NIST", ours, certified, 1e-12)
	agree(t, "Norris beside statsmodels", ours, says(t, fromPython, "norris"), 1e-9)
	agree(t, "Norris beside R", f.Coefficients, says(t, fromR, "norris"), 1e-9)

	d = columns(t, "longley")
	f = ok(estimators.OLS(design(d[1:]...), d[0]))(t)
	certified = []float64{-3482258.63459582, 15.0618722713733, -0.358191792925910e-1, -2.02022980381683, -1.03322686717359, -0.511041056535807e-1, 1829.15146461355}
	agree(t, "Longley beside NIST", f.Coefficients, certified, 1e-9)
	ours = slices.Concat(f.Coefficients, f.StandardErrors, []float64{f.Sigma})
	agree(t, "Longley beside statsmodels", ours, says(t, fromPython, "longley"), 1e-7)
	agree(t, "Longley beside R", ours, says(t, fromR, "longley"), 1e-7)

	d = columns(t, "stackloss")
	f = ok(estimators.OLS(design(d[0], d[1], d[2]), d[3]))(t)
	ours = slices.Concat(f.Coefficients, f.StandardErrors, []float64{f.Sigma})
	agree(t, "stackloss beside statsmodels", ours, says(t, fromPython, "stackloss"), 1e-9)
	agree(t, "stackloss beside R", ours, says(t, fromR, "stackloss"), 1e-9)
}

func TestTheStepAtAWash(t *testing.T) {
	d := columns(t, "washrun")
	x := design(d[0], after(d[0], 600))
	f := ok(estimators.OLS(x, d[1]))(t)
	for name, program := range map[string]func() (figures, error){"Python": fromPython, "R": fromR} {
		agree(t, "least squares beside "+name, slices.Concat(f.Coefficients, f.StandardErrors), says(t, program, "washrun"), 1e-8)
		agree(t, "Newey-West beside "+name, ok(f.NeweyWest(4, false))(t), says(t, program, "washrun hac plain"), 1e-8)
		agree(t, "Newey-West, corrected, beside "+name, ok(f.NeweyWest(4, true))(t), says(t, program, "washrun hac corrected"), 1e-8)
	}
	known := ok(f.Correlated(2.25, []float64{0.5, 0.3, 0.1}))(t)
	agree(t, "noise of known memory beside numpy's full covariance", known, says(t, fromPython, "washrun known memory"), 1e-8)
	ml := ok(estimators.FitAR1(x, d[1]))(t)
	// R's optimiser stops at 1e-14 of the likelihood, which fixes the estimates to about half of those digits; its standard
	// errors come from a numeric Hessian.
	want := says(t, fromR, "washrun ar1")
	agree(t, "AR(1) beside R", slices.Concat([]float64{ml.Phi}, ml.Coefficients), want[:4], 1e-4)
	agree(t, "error of the step beside R", ml.StandardErrors[2:], want[4:], 2e-3)
}

func TestForecastsAndRobustSlopes(t *testing.T) {
	d := columns(t, "washrun")
	first := slices.IndexFunc(d[0], func(h float64) bool { return h >= 600 })
	l := ok(estimators.FitLine(d[0][first:], d[1][first:]))(t)
	p := ok(l.Predict(1200, 0.95))(t)
	agree(t, "a new reading at 1,200 h", []float64{p.Estimate, p.Low, p.High}, says(t, fromPython, "forecast"), 1e-9)
	c := ok(l.Crossing(12, 0.95, false))(t)
	agree(t, "the crossing of 12 °C", []float64{c.Estimate, c.Low, c.High}, says(t, fromPython, "crossing"), 1e-8)
	s := ok(estimators.TheilSen(d[0][first:], d[2][first:], 0.95))(t)
	agree(t, "Theil-Sen", []float64{s.Estimate, s.Low, s.High}, says(t, fromPython, "theil-sen"), 1e-10)
	d = columns(t, "stackloss")
	h := ok(estimators.Huber(design(d[0], d[1], d[2]), d[3], 1.345))(t)
	agree(t, "Huber on stackloss", h.Coefficients, says(t, fromPython, "huber"), 1e-6)
	agree(t, "its errors", h.StandardErrors, says(t, fromPython, "huber errors"), 1e-6)
}

func TestBreaksOfUnknownDate(t *testing.T) {
	flow := columns(t, "nile")[1]
	constant := make([][]float64, len(flow))
	for i := range constant {
		constant[i] = []float64{1}
	}
	breaks(t, "nile", constant, flow, says(t, fromR, "nile"))
	var bic []float64
	for _, p := range ok(estimators.Segment(constant, flow, 15, 5))(t) {
		bic = append(bic, p.BIC)
	}
	agree(t, "BIC of the Nile", bic, says(t, fromR, "nile bic"), 1e-9)
	d := columns(t, "washrun")
	breaks(t, "washrun", design(d[0]), d[1], says(t, fromR, "washrun break"))
}

// breaks compares the sum of squares of 0 to 5 breaks, and the one break with its 95 % interval (low, break, high).
func breaks(t *testing.T, name string, x [][]float64, y []float64, want []float64) {
	t.Helper()
	parts := ok(estimators.Segment(x, y, 15, 5))(t)
	var rss []float64
	for _, p := range parts {
		rss = append(rss, p.RSS)
	}
	agree(t, "sums of squares of "+name, rss, says(t, fromR, name+" rss"), 1e-9)
	at := parts[1].Breaks[0]
	low, high, err := estimators.BreakInterval(x, y, 0, at, len(y), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	agree(t, "the break of "+name, []float64{float64(at), float64(low), float64(at), float64(high)}, want, 0)
}

func TestLevelsAndIntervals(t *testing.T) {
	levels, _, err := estimators.LocalLevel(columns(t, "nile")[1], 15099, 1469.1, 1e7)
	if err != nil {
		t.Fatal(err)
	}
	last := levels[len(levels)-1]
	agree(t, "the level of the Nile", []float64{levels[0].Mean, last.Mean, last.Variance}, says(t, fromPython, "level"), 1e-9)
	var ours []float64
	for _, kappa := range []float64{0.05, 0.2, 0.5, 0.9} {
		ours = append(ours, ok(estimators.Interval(estimators.Loss{Ceiling: 1, Time: 1}, estimators.Wash{Cost: kappa}))(t))
	}
	agree(t, "wash intervals beside Lambert's W", ours, says(t, fromPython, "wash interval"), 1e-8)
}

// A program that is not there fails the comparison, and says how to install it.
func TestAMissingProgramIsNoPass(t *testing.T) {
	_, err := run("a-program-that-is-not-there")
	if err == nil || !strings.Contains(err.Error(), "apt-get install") {
		t.Errorf("%v", err)
	}
}
