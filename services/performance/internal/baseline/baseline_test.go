package baseline_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/performance/internal/baseline"
)

// engine is an invented engine that obeys ideal similarity exactly.
func engine(altitude, oat, np, torque float64) baseline.Point {
	p := baseline.Point{Altitude: altitude, OAT: oat, Np: np, Torque: torque}
	delta := math.Pow(1-0.0065*altitude/288.15, 5.25588)
	theta := (oat + 273.15) / 288.15
	x := p.Power() / (delta * math.Sqrt(theta)) / 500
	p.ITT = (800+250*x)*theta - 273.15
	p.Ng = (78 + 20*x) * math.Sqrt(theta)
	p.Fuel = (60 + 150*x) * delta * math.Sqrt(theta)
	return p
}

func table() []baseline.Point {
	var points []baseline.Point
	for _, h := range []float64{0, 1500, 3000, 4500} {
		for _, t := range []float64{-20, 0, 20, 35} {
			for _, np := range []float64{1600, 1700} {
				for _, q := range []float64{900, 1300, 1700, 2100} {
					points = append(points, engine(h, t, np, q))
				}
			}
		}
	}
	return points
}

func TestTheFitFindsWhatItWasGiven(t *testing.T) {
	m, err := baseline.Fit(table(), baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	if m.Residual.ITT > 0.05 || m.Residual.Ng > 0.01 || m.Residual.Fuel > 0.05 {
		t.Errorf("residual %+v", m.Residual)
	}
	fouled := engine(2200, 11, 1650, 1500)
	fouled.ITT += 12
	fouled.Fuel *= 1.01
	x, err := m.Expect(fouled)
	if err != nil {
		t.Fatal(err)
	}
	d := x.Deviation(fouled)
	if math.Abs(d.ITT-12) > 0.1 || math.Abs(d.Ng) > 0.02 || math.Abs(d.Fuel-1) > 0.1 {
		t.Errorf("deviation %+v", d)
	}
}

// The analysis takes the short way, explanations the long one: a person who redoes a deviation must find the very number.
func TestTheShortWayToADeviationIsTheLongOne(t *testing.T) {
	for _, rows := range [][]baseline.Point{table(), table()[:40]} { // all terms, and the few
		m, err := baseline.Fit(rows, baseline.Exponents{ITTTheta: 0.98, NgTheta: 0.5, FuelTheta: 0.61, FuelDelta: 0.99, TorqueDelta: 1})
		if err != nil {
			t.Fatal(err)
		}
		rapid.Check(t, func(t *rapid.T) {
			draw := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
			p := baseline.Point{
				Altitude: draw("altitude", -3000, 21000), OAT: draw("oat", -120, 90), Airspeed: draw("airspeed", -10, 600), Np: draw("np", 0, 3000),
				Torque: draw("torque", -100, 5000), ITT: draw("itt", -300, 2000), Ng: draw("ng", 0, 200), Fuel: draw("fuel", -10, 1000),
			}
			x, err := m.Expect(p)
			d, theta, shortErr := m.Deviation(&p)
			if (err == nil) != (shortErr == nil) || err != nil && err.Error() != shortErr.Error() {
				t.Fatalf("%v and %v", err, shortErr)
			}
			if err == nil && (d != x.Deviation(p) || theta != x.Condition.Theta) {
				t.Errorf("%v at %v, %v at %v", d, theta, x.Deviation(p), x.Condition.Theta)
			}
		})
	}
}

func TestBadTablesAndReadingsAreRefused(t *testing.T) {
	if _, err := baseline.Fit(table()[:10], baseline.Ideal); err == nil {
		t.Error("ten points were enough")
	}
	bad := table()
	bad[3].OAT = -273.15
	if _, err := baseline.Fit(bad, baseline.Ideal); err == nil {
		t.Error("absolute zero was accepted")
	}
	m, err := baseline.Fit(table(), baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []baseline.Point{{OAT: math.NaN()}, {Altitude: math.Inf(1)}, {OAT: 15, Torque: math.NaN(), Np: 1700}} {
		if _, err := m.Expect(p); err == nil {
			t.Errorf("%+v was accepted", p)
		}
	}
}

// An engine that similarity does not describe exactly, with an optimum of propeller speed: Volponi's exponent of ITT is
// 0.98 instead of 1. The residual stays small, so no yearly wave comes back in the deviations.
func TestAnEngineThatSimilarityMissesLeavesNoWave(t *testing.T) {
	actual := func(p baseline.Point) baseline.Point {
		theta, n := (p.OAT+273.15)/288.15, p.Np/1700-1
		p.ITT = (p.ITT+273.15)*math.Pow(theta, -0.018) - 273.15 + 400*n*n
		p.Fuel *= math.Pow(theta, 0.11) * (1 + n*n)
		return p
	}
	var points []baseline.Point
	for _, h := range []float64{0, 2000, 4000} {
		for _, oat := range []float64{-25, -5, 15, 35} {
			for _, np := range []float64{1500, 1600, 1700, 1900} {
				for _, q := range []float64{900, 1300, 1700} {
					points = append(points, actual(engine(h, oat, np, q)))
				}
			}
		}
	}
	m, err := baseline.Fit(points, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	for _, oat := range []float64{-20, 0, 20, 33} {
		p := actual(engine(1500, oat, 1750, 1400))
		x, err := m.Expect(p)
		if err != nil {
			t.Fatal(err)
		}
		if d := x.Deviation(p); math.Abs(d.ITT) > 0.5 || math.Abs(d.Ng) > 0.05 || math.Abs(d.Fuel) > 0.3 {
			t.Errorf("at %v °C: %+v", oat, d)
		}
	}
}
