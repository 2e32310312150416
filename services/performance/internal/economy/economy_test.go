package economy

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
)

func best(t *testing.T, l Loss, w Wash) Plan {
	t.Helper()
	p, err := Best(l, w)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Cases P-89 to P-92 and wsh-10 to wsh-13: the root of 1 − (1+u)e^(−u) = κ by Lambert's W (scipy). Cases P-93 and wsh-01:
// √(2C/c), the form of the economic order quantity. wsh-02 and wsh-21 with 6 h of downtime: closed form, and brentq (scipy).
func TestIntervalsThatCostLeast(t *testing.T) {
	for id, c := range map[string]struct {
		loss            Loss
		wash            Wash
		want, tolerance float64
	}{
		"P-89":   {Loss{Ceiling: 1, Time: 1}, Wash{Cost: 0.05}, 0.35536151, 1e-6},
		"P-90":   {Loss{Ceiling: 1, Time: 1}, Wash{Cost: 0.2}, 0.82438831, 1e-6},
		"P-91":   {Loss{Ceiling: 1, Time: 1}, Wash{Cost: 0.5}, 1.67834699, 1e-6},
		"P-92":   {Loss{Ceiling: 1, Time: 1}, Wash{Cost: 0.9}, 3.88972017, 1e-6},
		"P-93":   {Loss{Slope: 0.04}, Wash{Cost: 450}, 150, 1e-6},
		"wsh-01": {Loss{Slope: 0.003}, Wash{Cost: 600}, 632.455532034, 1e-6},
		"wsh-02": {Loss{Slope: 0.003}, Wash{Cost: 600, Downtime: 6}, 626.483991892, 1e-6},
		"wsh-10": {Loss{Ceiling: 4, Time: 300}, Wash{Cost: 0.05 * 4 * 300}, 300 * 0.355361510699, 1e-5},
		"wsh-21": {Loss{Ceiling: 4, Time: 300}, Wash{Cost: 600, Downtime: 6}, 488.270375982, 1e-4},
	} {
		if p := best(t, c.loss, c.wash); !p.Finite || math.Abs(p.Hours-c.want) > c.tolerance {
			t.Errorf("%s: %+v, want %v h", id, p, c.want)
		}
	}
}

// wsh-20: with κ ≥ 1 there is no finite optimum.
func TestSomeWashesNeverPay(t *testing.T) {
	for _, cost := range []float64{1, 1.2, 50} {
		if p := best(t, Loss{Ceiling: 1, Time: 1}, Wash{Cost: cost}); p.Finite || p.Never == "" {
			t.Errorf("%g: %+v", cost, p)
		}
	}
	if p := best(t, Loss{Slope: 1e-11}, Wash{Cost: 1e12}); p.Finite {
		t.Errorf("a wash every %g h makes no sense", p.Hours)
	}
}

func TestNoOtherIntervalCostsLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := Wash{Cost: rapid.Float64Range(1, 5000).Draw(t, "cost"), Downtime: rapid.Float64Range(0, 20).Draw(t, "downtime")}
		l := Loss{Slope: rapid.Float64Range(1e-4, 1).Draw(t, "slope")}
		if rapid.Bool().Draw(t, "saturating") {
			l = Loss{Ceiling: rapid.Float64Range(0.1, 100).Draw(t, "ceiling"), Time: rapid.Float64Range(10, 1000).Draw(t, "time")}
		}
		p, err := Best(l, w)
		if err != nil {
			t.Fatal(err)
		}
		if !p.Finite {
			// Then the rate only falls: twice the time is always cheaper.
			for h := 10.0; h < 1e5; h *= 2 {
				if l.rate(w, 2*h) > l.rate(w, h)*(1+1e-9) {
					t.Fatalf("the rate rises at %g h, and no interval was found", h)
				}
			}
			return
		}
		other := rapid.Float64Range(0.001, 1000).Draw(t, "other") * p.Hours
		if l.rate(w, other) < p.Rate*(1-1e-9) {
			t.Fatalf("%g h costs %g, %g h costs %g", other, l.rate(w, other), p.Hours, p.Rate)
		}
		if !(p.Least < p.Hours && p.Hours < p.Most) || l.rate(w, p.Least) > flat*p.Rate*(1+1e-6) || l.rate(w, p.Most) > flat*p.Rate*(1+1e-6) {
			t.Fatalf("the flat part: %+v", p)
		}
	})
}

// The total is the integral of the loss, by Simpson's rule.
func TestTotalIsTheIntegral(t *testing.T) {
	for _, l := range []Loss{{Slope: 0.04}, {Ceiling: 4, Time: 300}} {
		const n, to = 2000, 500.0
		sum := l.At(0) + l.At(to)
		for i := 1; i < n; i++ {
			sum += float64(2+2*(i%2)) * l.At(to*float64(i)/n)
		}
		if want := sum * to / n / 3; math.Abs(l.total(to)-want) > 1e-6*want {
			t.Errorf("%+v: %g, want %g", l, l.total(to), want)
		}
	}
}

func TestCostsThatMakeNoSense(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		l      Loss
		w      Wash
		reason string
	}{
		{Loss{Slope: 1}, Wash{}, "WASH_COST_INVALID"},
		{Loss{Slope: 1}, Wash{Cost: nan}, "WASH_COST_INVALID"},
		{Loss{Slope: 1}, Wash{Cost: 1, Downtime: -1}, "WASH_COST_INVALID"},
		{Loss{}, Wash{Cost: 1}, "LOSS_INVALID"},
		{Loss{Slope: nan}, Wash{Cost: 1}, "LOSS_INVALID"},
		{Loss{Slope: -1}, Wash{Cost: 1}, "LOSS_INVALID"},
		{Loss{Slope: 1, Ceiling: 1, Time: 1}, Wash{Cost: 1}, "LOSS_INVALID"},
		{Loss{Ceiling: 1}, Wash{Cost: 1}, "LOSS_INVALID"},
		{Loss{Ceiling: math.Inf(1), Time: 1}, Wash{Cost: 1}, "LOSS_INVALID"},
	} {
		if _, err := Best(c.l, c.w); !fault.HasReason(err, c.reason) {
			t.Errorf("%+v %+v: %v, want %s", c.l, c.w, err, c.reason)
		}
	}
}
