package baseline_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/performance/internal/baseline"
)

// The torques between which a baseline holds are those at which Outside changes its mind, at any condition of the table; they fall with height,
// as the same referred power is less power in thin air.
func TestTheTorqueRangeIsWhereTheBaselineHolds(t *testing.T) {
	m, err := baseline.Fit(table(), baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := baseline.Point{
			Altitude: rapid.Float64Range(0, 4500).Draw(t, "altitude"), OAT: rapid.Float64Range(-19, 34).Draw(t, "oat"), Airspeed: float64(rapid.SampledFrom([]int{0, 0, 60, 200}).Draw(t, "airspeed")),
			Np: rapid.Float64Range(1500, 1900).Draw(t, "np"),
		}
		low, high, err := m.TorqueRange(p)
		if err != nil || !(low > 0 && low < high) {
			t.Fatalf("%g to %g, %v", low, high, err)
		}
		for torque, inside := range map[float64]bool{low * 0.99: false, low * 1.001: true, (low + high) / 2: true, high * 0.999: true, high * 1.01: false} {
			p.Torque = torque
			if got := m.Outside(p); (got == "") != inside && p.Airspeed == 0 { // at speed the inlet is hotter than the table may go
				t.Fatalf("%g of %g to %g N·m: %q", torque, low, high, got)
			}
		}
		higher := p
		higher.Altitude += 1000
		if _, less, err := m.TorqueRange(higher); err != nil || less >= high {
			t.Fatalf("%g N·m at %g m and %g at %g m, %v", high, p.Altitude, less, higher.Altitude, err)
		}
	})
	for _, p := range []baseline.Point{{Np: 0}, {Np: -1700}, {Np: math.NaN()}, {Np: 1700, Altitude: 1e6}, {Np: 1700, OAT: -300}} {
		if low, high, err := m.TorqueRange(p); err == nil {
			t.Errorf("%+v has torques from %g to %g", p, low, high)
		}
	}
}
