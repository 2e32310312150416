package cycle_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/cycle"
)

// The signs that eight variants of an independent model agreed on, 60 and 90 % power: what rises or falls with each change.
// 0 means that it stays within 0.1.
func TestSignsOfTheSignatures(t *testing.T) {
	for _, e := range engines(t) {
		for _, share := range []float64{0.6, 0.9} {
			for _, c := range []struct {
				name          string
				health        cycle.Health
				itt, ng, fuel float64
			}{
				{"fouling 3:1", cycle.Health{CompressorFlow: -0.03, CompressorEfficiency: -0.01}, 1, 1, 1},
				{"compressor efficiency", cycle.Health{CompressorEfficiency: -0.01}, 1, -1, 1},
				{"hot section", cycle.Health{GasGeneratorEfficiency: -0.02, GasGeneratorFlow: 0.01}, 1, -1, 1},
				{"bleed leak", cycle.Health{Bleed: 0.01}, 1, 0, 1},
				{"power turbine", cycle.Health{PowerTurbineEfficiency: -0.01}, 1, 1, 1},
				{"inlet", cycle.Health{InletLoss: 0.01}, 1, 1, 1},
			} {
				s, err := e.Signature(cycle.Standard(0, 0, 0), cycle.Power(share*e.DesignPower()), c.health)
				if err != nil {
					t.Fatal(err)
				}
				if !sign(s.ITT, c.itt) || !sign(s.Ng, c.ng) || !sign(s.Fuel, c.fuel) {
					t.Errorf("%s at %.0f %%, %s: %+v", e.Data().Name, 100*share, c.name, s)
				}
			}
		}
	}
}

func sign(v, want float64) bool {
	if want == 0 {
		return math.Abs(v) < 0.1
	}
	return v*want > 0
}

// The signature table of an independent model of an engine of the same class (90 % power, sea level, standard day). Another
// engine and another map: sizes agree within a third, or the absolute amount where a value is small.
func TestSizesOfTheSignatures(t *testing.T) {
	e := engines(t)[0]
	for _, c := range []struct {
		name               string
		health             cycle.Health
		itt, ng, fuel, p3  float64
		absITT, absPercent float64
	}{
		{"compressor efficiency −1 %", cycle.Health{CompressorEfficiency: -0.01}, 8.25, -0.236, 0.672, -0.257, 0.5, 0.1},
		{"compressor flow −1 %", cycle.Health{CompressorFlow: -0.01}, 0.65, 0.269, 0.053, -0.020, 0.5, 0.1},
		{"fouling", cycle.Health{CompressorFlow: -0.03, CompressorEfficiency: -0.01}, 10.42, 0.585, 0.849, -0.323, 0.5, 0.1},
		{"gas-generator turbine efficiency −1 %", cycle.Health{GasGeneratorEfficiency: -0.01}, 10.64, -0.323, 0.862, -0.444, 0.5, 0.1},
		{"gas-generator turbine flow +1 %", cycle.Health{GasGeneratorFlow: 0.01}, 2.99, -0.243, 0.241, -1.053, 0.5, 0.1},
		{"hot section", cycle.Health{GasGeneratorEfficiency: -0.02, GasGeneratorFlow: 0.01}, 24.50, -0.890, 1.972, -1.923, 0.5, 0.1},
		{"power-turbine efficiency −1 %", cycle.Health{PowerTurbineEfficiency: -0.01}, 2.06, 0.179, 0.706, 0.470, 0.5, 0.1},
		{"power-turbine flow +1 %", cycle.Health{PowerTurbineFlow: 0.01}, -4.06, 0.342, 0.178, 0.615, 0.5, 0.1},
		{"burner efficiency −1 %", cycle.Health{BurnerEfficiency: -0.01}, -0.13, -0.002, 1.021, 0, 0.1, 0.02},
		{"bleed leak 1 %", cycle.Health{Bleed: 0.01}, 8.90, 0.022, 1.109, -0.299, 0.5, 0.05},
		{"inlet loss 1 %", cycle.Health{InletLoss: 0.01}, 5.62, 0.291, 0.458, -0.175, 0.5, 0.1},
	} {
		s, err := e.Signature(cycle.Standard(0, 0, 0), cycle.Power(0.9*e.DesignPower()), c.health)
		if err != nil {
			t.Fatal(err)
		}
		alike := func(what string, got, want, abs float64) {
			if math.Abs(got-want) > math.Max(abs, math.Abs(want)/3) {
				t.Errorf("%s: %s %.3f, the other model has %.3f", c.name, what, got, want)
			}
		}
		alike("ITT", s.ITT, c.itt, c.absITT)
		alike("Ng", s.Ng, c.ng, c.absPercent)
		alike("fuel flow", s.Fuel, c.fuel, c.absPercent)
		alike("p3", s.P3, c.p3, c.absPercent)
	}
}

// Reading torque 2 % high at the same indication means 2 % less power: the signs that go with it.
func TestTorqueIndication(t *testing.T) {
	for _, e := range engines(t) {
		p, err := e.Solve(cycle.Standard(0, 0, 0), cycle.Health{}, cycle.Power(0.9*e.DesignPower()), cycle.Point{})
		if err != nil {
			t.Fatal(err)
		}
		q, err := e.Solve(cycle.Standard(0, 0, 0), cycle.Health{}, cycle.Power(0.9*e.DesignPower()/1.02), p)
		if err != nil {
			t.Fatal(err)
		}
		if q.ITT-p.ITT > -2 || q.ITT-p.ITT < -8 || q.Ng >= p.Ng || q.Fuel >= p.Fuel {
			t.Errorf("%s: ITT %+.2f, Ng %+.3f, fuel %+.2f", e.Data().Name, q.ITT-p.ITT, q.Ng-p.Ng, q.Fuel-p.Fuel)
		}
	}
}

func TestInfluenceIsTheSlopeOfTheSignature(t *testing.T) {
	for _, e := range engines(t) {
		c, s := cycle.Standard(3000, 0.3, 0), cycle.Power(0.6*e.DesignPower())
		influence, err := e.Influence(c, s, cycle.Health{})
		if err != nil || len(influence) != len(cycle.Parts) {
			t.Fatal(influence, err)
		}
		worn, err := e.Signature(c, s, cycle.Health{CompressorEfficiency: -0.002, CompressorFlow: -0.004, PowerTurbineEfficiency: -0.002})
		if err != nil {
			t.Fatal(err)
		}
		want := -0.2*influence[0].ITT - 0.4*influence[1].ITT - 0.2*influence[4].ITT
		if math.Abs(worn.ITT-want) > 0.03*math.Abs(want) {
			t.Errorf("%s: a little wear moves ITT by %.4f °C, the coefficients say %.4f", e.Data().Name, worn.ITT, want)
		}
	}
}

// Ideal similarity would give exponents of 1 for ITT and 0.5 for Ng; a free turbine held at its speed, with real gas, comes
// close below. An independent model gives 0.982, 0.481 and 0.611 (fuel flow) at 75 % power.
func TestExponentsOfTheta(t *testing.T) {
	for _, e := range engines(t) {
		var logs [2][4]float64
		for i, warmer := range []float64{-30, 30} {
			c := cycle.Standard(0, 0, warmer)
			p, err := e.Solve(c, cycle.Health{}, cycle.Power(corrected(t, e, c, 0.75)), cycle.Point{})
			if err != nil {
				t.Fatal(err)
			}
			logs[i] = [4]float64{math.Log(p.T2), math.Log(p.ITT + 273.15), math.Log(p.Ng), math.Log(p.Fuel)}
		}
		exponent := func(k int) float64 { return (logs[1][k] - logs[0][k]) / (logs[1][0] - logs[0][0]) }
		if a := exponent(1); a < 0.965 || a > 1 {
			t.Errorf("%s: ITT goes with theta to the %.3f", e.Data().Name, a)
		}
		if a := exponent(2); a < 0.46 || a > 0.5 {
			t.Errorf("%s: Ng goes with theta to the %.3f", e.Data().Name, a)
		}
		if a := exponent(3); a < 0.56 || a > 0.68 {
			t.Errorf("%s: fuel flow goes with theta to the %.3f", e.Data().Name, a)
		}
	}
}
