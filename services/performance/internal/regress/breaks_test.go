package regress

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func constant(n int) [][]float64 {
	x := make([][]float64, n)
	for i := range x {
		x[i] = []float64{1}
	}
	return x
}

// The Nile: break after observation 28 (1898), R strucchange 1.5-3 with h = 0.15, as its documentation prints it.
func TestBreakOfTheNile(t *testing.T) {
	rows := table(t, "nile")
	y := column(rows, 1)
	x := constant(len(y))
	parts, err := Segment(x, y, 15, 5)
	if err != nil {
		t.Fatal(err)
	}
	for m, want := range []float64{2835156.75, 1597457.194, 1552923.616, 1538096.513, 1507888.476, 1659993.500} {
		relative(t, "RSS", parts[m].RSS, want, 1e-9)
	}
	for m, want := range []float64{1318.24181, 1270.08373, 1276.46670, 1284.71767, 1291.94448, 1310.76515} {
		relative(t, "BIC", parts[m].BIC, want, 1e-8)
	}
	chosen := Chosen(parts)
	if !slices.Equal(chosen.Breaks, []int{28}) || rows[27][0] != 1898 {
		t.Fatalf("breaks %v", chosen.Breaks)
	}
	near(t, "mean before", Mean(y[:28]), 1097.75, 1e-9)
	near(t, "mean after", Mean(y[28:]), 849.972222, 1e-6)
	low, high, err := BreakInterval(x, y, 0, 28, len(y), 0.95)
	if err != nil || rows[low-1][0] != 1895 || rows[high-1][0] != 1902 {
		t.Errorf("95 %% interval %d to %d, want observations 25 to 32 (%v)", low, high, err)
	}
}

// washrun with a slope: break at 60 and interval 59 … 61, R strucchange 1.5-3 with h = 0.15.
func TestBreakOfTheWashRun(t *testing.T) {
	rows := table(t, "washrun")
	y, x := column(rows, 1), design(column(rows, 0))
	parts, err := Segment(x, y, 15, 5)
	if err != nil {
		t.Fatal(err)
	}
	for m, want := range []float64{893.224151, 311.229695, 288.574034, 274.662275, 265.079229, 275.720580} {
		relative(t, "RSS", parts[m].RSS, want, 2e-9)
	}
	if got := Chosen(parts).Breaks; !slices.Equal(got, []int{60}) {
		t.Fatalf("breaks %v", got)
	}
	low, high, err := BreakInterval(x, y, 0, 60, len(y), 0.95)
	if err != nil || low != 59 || high != 61 {
		t.Errorf("95 %% interval %d to %d, want 59 to 61 (%v)", low, high, err)
	}
}

// The distribution of the place of the maximum, against a simulated walk.
func TestPlaceOfTheMaximum(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	a := argmax{xi: 1.3, phi: 0.8}
	const runs, step, reach = 4000, 0.02, 60.0
	count := map[float64]int{-4: 0, -1: 0, 0: 0, 1: 0, 4: 0}
	for range runs {
		best, place := 0.0, 0.0
		for _, side := range []struct{ sign, drift, sd float64 }{{-1, 0.5, 1}, {1, a.xi / 2, math.Sqrt(a.phi)}} {
			v := 0.0
			for s := step; s < reach; s += step {
				v += side.sd*math.Sqrt(step)*random.NormFloat64() - side.drift*step
				if v > best {
					best, place = v, side.sign*s
				}
			}
		}
		for x := range count {
			if place <= x {
				count[x]++
			}
		}
	}
	for x, n := range count {
		if got := float64(n) / runs; math.Abs(got-a.cdf(x)) > 0.03 {
			t.Errorf("P(≤ %g) = %.4f, simulated %.4f", x, a.cdf(x), got)
		}
	}
}

func TestSegmentsThatDetermineNothingAreRefused(t *testing.T) {
	if _, err := Segment(constant(20), make([]float64, 20), 1, 2); err == nil {
		t.Error("a segment of one observation was accepted")
	}
	if parts, err := Segment(constant(20), make([]float64, 20), 5, 3); err != nil || len(Chosen(parts).Breaks) != 0 {
		t.Errorf("equal values are cut: %+v (%v)", parts, err)
	}
	if _, _, err := BreakInterval(constant(20), make([]float64, 20), 5, 5, 9, 0.95); err == nil {
		t.Error("an empty segment was accepted")
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 0.95)
	f.Add(0.0, 0.0, 0.0, 1e300, math.Inf(1), math.NaN(), 1.0)
	f.Add(1e-320, -1e99, 1e99, 1e-9, 3.0, 1e50, 0.5)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, confidence float64) {
		x, y := []float64{a, b, c, d, 7, 8, 9}, []float64{e, g, a * 3, b, c, d, 1}
		var values []float64
		rows := design(x)
		if fit, err := OLS(rows, y); err == nil {
			values = append(values, append(append([]float64{fit.Sigma, fit.RSquared, fit.LagOne()}, fit.Coefficients...), fit.StandardErrors...)...)
			if se, err := fit.NeweyWest(2, true); err == nil {
				values = append(values, se...)
			}
		}
		if fit, err := Huber(rows, y, 1.345); err == nil {
			values = append(values, append(append([]float64{fit.Scale}, fit.Coefficients...), fit.Weights...)...)
		}
		if fit, err := FitAR1(rows, y); err == nil {
			values = append(values, append(append([]float64{fit.Phi, fit.PhiError, fit.Variance}, fit.Coefficients...), fit.StandardErrors...)...)
		}
		s, _ := TheilSen(x, y, confidence)
		values = append(values, s.Estimate, s.Low, s.High)
		if l, err := FitLine(x, y); err == nil {
			for _, i := range []func() (Interval, error){
				func() (Interval, error) { return l.Predict(g, confidence) }, func() (Interval, error) { return l.Crossing(e, confidence, true) },
			} {
				v, _ := i()
				values = append(values, v.Estimate, v.Low, v.High)
			}
		}
		if levels, likelihood, err := LocalLevel(y, a, b, c); err == nil {
			values = append(values, likelihood, levels[len(levels)-1].Mean)
		}
		if parts, err := Segment(rows, y, 3, 1); err == nil {
			values = append(values, Chosen(parts).RSS, Chosen(parts).BIC)
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v", values)
			}
		}
	})
}
