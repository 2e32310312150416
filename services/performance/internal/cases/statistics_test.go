package cases

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"coldsection.example/services/performance/internal/economy"
	"coldsection.example/services/performance/internal/regress"
)

// columns reads a data set of package regress by columns.
func columns(r *row, name string) [][]float64 {
	r.t.Helper()
	f := ok(os.Open("../regress/testdata/" + name + ".csv"))(r)
	defer func() { _ = f.Close() }()
	rows := ok(csv.NewReader(f).ReadAll())(r)
	out := make([][]float64, len(rows[0]))
	for _, fields := range rows[1:] {
		for j, text := range fields {
			out[j] = append(out[j], ok(strconv.ParseFloat(text, 64))(r))
		}
	}
	return out
}

// design puts a constant before the columns.
func design(from ...[]float64) [][]float64 {
	var rows [][]float64
	for i := range from[0] {
		line := []float64{1}
		for _, c := range from {
			line = append(line, c[i])
		}
		rows = append(rows, line)
	}
	return rows
}

// bars are numbers with bars between.
func bars(text string) []float64 { return numbers(strings.ReplaceAll(text, "|", " ")) }

// The page prints 49.12 for one average where the recursion gives 49.21, which the table has.
func ewma(r *row) {
	series, _, _ := strings.Cut(r.inputs, ";")
	at, limit := r.in("target"), regress.EWMALimit(r.in("lambda"), r.in("s"), 3)
	var averages []float64
	for _, v := range bars(series) {
		at = regress.EWMA(at, v, r.in("lambda"))
		averages = append(averages, at)
	}
	first, _, _ := strings.Cut(r.text, ";")
	r.list(strings.ReplaceAll(first, "|", " "), averages, absolute(0.01))
	delete(r.left, first)
	r.near("ucl", r.in("target")+limit, 0.01)
	r.near("lcl", r.in("target")-limit, 0.01)
}

func cusum(r *row) {
	series, _, _ := strings.Cut(r.inputs, ";")
	sum, signal := 0.0, 0
	for i, v := range bars(series) {
		sum = regress.Cusum(sum, v-r.in("target"), r.in("k"))
		if sum > r.in("h") && signal == 0 {
			signal = i + 1
		}
		if i == 13 {
			r.near("upper_14", sum, 0.005)
		}
	}
	r.near("first_signal_upper_at", float64(signal), 0)
}

func regression(r *row) {
	if strings.Contains(r.inputs, "Longley") {
		d := columns(r, "longley")
		f := ok(regress.OLS(design(d[1:]...), d[0]))(r)
		r.relative("b0", f.Coefficients[0], 1e-7)
		r.relative("b1", f.Coefficients[1], 1e-7)
		r.relative("resid_sd", f.Sigma, 1e-7)
		return
	}
	d := columns(r, "norris")
	f := ok(regress.OLS(design(d[0]), d[1]))(r)
	for key, got := range map[string]float64{
		"b0": f.Coefficients[0], "b1": f.Coefficients[1], "se0": f.StandardErrors[0], "se1": f.StandardErrors[1], "resid_sd": f.Sigma, "r2": f.RSquared,
	} {
		r.relative(key, got, 1e-9)
	}
}

func breakpoint(r *row) {
	d := columns(r, "nile")
	constant := make([][]float64, len(d[0]))
	for i := range constant {
		constant[i] = []float64{1}
	}
	p := regress.Chosen(ok(regress.Segment(constant, d[1], 15, 5))(r))
	if len(p.Breaks) != 1 {
		r.t.Fatalf("%v breaks", p.Breaks)
	}
	at := p.Breaks[0]
	low, high, err := regress.BreakInterval(constant, d[1], 0, at, len(d[1]), 0.95)
	if err != nil {
		r.t.Fatal(err)
	}
	year := func(i int) float64 { return d[0][i-1] }
	r.near("breakdate", year(at), 0)
	r.list(r.left["ci95"], []float64{year(low), year(high)}, absolute(0))
	delete(r.left, "ci95")
	r.near("mean_before", regress.Mean(d[1][:at]), 0.001)
	r.near("mean_after", regress.Mean(d[1][at:]), 0.001)
	r.near("rss1", p.RSS, 0.001)
}

func localLevel(r *row) {
	levels, _, err := regress.LocalLevel(columns(r, "nile")[1], r.in("var_eps"), r.in("var_eta"), r.in("P1"))
	if err != nil {
		r.t.Fatal(err)
	}
	last := levels[len(levels)-1]
	r.near("filtered_first", levels[0].Mean, 0.001)
	r.near("filtered_last", last.Mean, 0.001)
	r.near("var_last", last.Variance, 0.001)
}

func robust(r *row) {
	d := columns(r, "stackloss")
	f := ok(regress.Huber(design(d[0], d[1], d[2]), d[3], 1.345))(r)
	r.list(strings.ReplaceAll(r.left["coef"], "|", " "), f.Coefficients, absolute(1e-3))
	delete(r.left, "coef")
}

func washStep(r *row) {
	d := columns(r, "washrun")
	after := make([]float64, len(d[0]))
	for i, h := range d[0] {
		if h >= 600 {
			after[i] = 1
		}
	}
	x := design(d[0], after)
	f := ok(regress.OLS(x, d[1]))(r)
	ml := ok(regress.FitAR1(x, d[1]))(r)
	got := slices.Concat(f.Coefficients, f.StandardErrors, []float64{
		ok(f.NeweyWest(4, false))(r)[2], ok(f.NeweyWest(4, true))(r)[2], ml.Phi, ml.Coefficients[1], ml.Coefficients[2], ml.StandardErrors[2],
	})
	r.list(strings.ReplaceAll(r.text, "|", " "), got, func(i int, want float64) float64 {
		if i >= 8 { // by maximum likelihood
			return 1e-3 * math.Abs(want)
		}
		return 1e-4 * math.Abs(want)
	})
	r.whole()
}

// What stands in brackets behind the places is about the data, not a result.
func outliers(r *row) {
	var got []float64
	for _, i := range regress.Hampel(columns(r, "washrun")[2], 5, 3, 0) {
		got = append(got, float64(i))
	}
	flagged, _, _ := strings.Cut(strings.TrimPrefix(r.text, "flagged_index="), " (")
	r.list(strings.ReplaceAll(flagged, "|", " "), got, absolute(0))
	r.whole()
}

// late are the readings of a column of washrun from 600 hours on.
func late(r *row, column int) (hours, values []float64) {
	d := columns(r, "washrun")
	first := slices.IndexFunc(d[0], func(h float64) bool { return h >= 600 })
	return d[0][first:], d[column][first:]
}

func theilSen(r *row) {
	hours, values := late(r, 2)
	s := ok(regress.TheilSen(hours, values, 0.95))(r)
	r.near("slope", s.Estimate, 1e-6)
	r.near("lo", s.Low, 1e-6)
	r.near("hi", s.High, 1e-5) // printed with five digits
}

func forecast(r *row) {
	hours, values := late(r, 1)
	l := ok(regress.FitLine(hours, values))(r)
	mean, single := ok(l.Crossing(12, 0.95, false))(r), ok(l.Crossing(12, 0.95, true))(r)
	r.list(strings.ReplaceAll(r.text, "=", " "), []float64{mean.Estimate, 95, mean.Low, mean.High, single.Low, single.High}, absolute(0.05))
	r.whole()
}

func washInterval(r *row) {
	if r.quantity == "wash_interval_linear" {
		p := ok(economy.Best(economy.Loss{Slope: r.in("loss_slope_per_h2")}, economy.Wash{Cost: r.in("wash_cost")}))(r)
		r.near("T_h", p.Hours, 1e-6)
		return
	}
	p := ok(economy.Best(economy.Loss{Ceiling: 1, Time: 1}, economy.Wash{Cost: r.in("kappa")}))(r)
	r.near("T_over_tau", p.Hours, 1e-6)
}
