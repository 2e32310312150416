package cycle_test

import (
	"errors"
	"math"
	"testing"

	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/performance/internal/gas"
)

func engines(t testing.TB) []*cycle.Engine {
	t.Helper()
	var list []*cycle.Engine
	for _, d := range cycle.Demonstration() {
		e, err := cycle.New(d)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e)
	}
	return list
}

func TestTheDesignPointComesBack(t *testing.T) {
	for _, e := range engines(t) {
		d := e.Data()
		p, err := e.Solve(cycle.Standard(0, 0, 0), cycle.Health{}, cycle.Power(e.DesignPower()), cycle.Point{})
		if err != nil {
			t.Fatal(err)
		}
		for what, pair := range map[string][2]float64{
			"burner exit": {p.T4, d.BurnerExit}, "speed": {p.Ng, d.Speed}, "air flow": {p.AirFlow, d.AirFlow}, "pressure ratio": {p.PressureRatio, d.PressureRatio},
		} {
			if math.Abs(pair[0]/pair[1]-1) > 1e-7 {
				t.Errorf("%s: %s %g, want %g", d.Name, what, pair[0], pair[1])
			}
		}
		if p.ITT < 650 || p.ITT > 760 || p.Power < 350e3 || p.Power > 800e3 || p.Fuel/p.Power*1000 < 0.30 || p.Fuel/p.Power*1000 > 0.45 {
			t.Errorf("%s is no engine of its class: %+v", d.Name, p) // 0.6 to 0.7 lb/(shp h) is common practice, no source
		}
	}
}

// grid is the flight envelope over which the model must find a match: 288 points.
func grid(visit func(c cycle.Condition, share float64)) {
	for _, altitude := range []float64{0, 1524, 3048, 4572, 6096, 7620} {
		for _, mach := range []float64{0, 0.2, 0.4} {
			for _, warmer := range []float64{-30, -10, 15, 35} {
				for _, share := range []float64{0.35, 0.6, 0.85, 1} {
					visit(cycle.Standard(altitude, mach, warmer), share)
				}
			}
		}
	}
}

// corrected is the power [W] that is this share of the design's, referred to the design's air.
func corrected(t testing.TB, e *cycle.Engine, c cycle.Condition, share float64) float64 {
	t.Helper()
	p, err := e.Solve(c, cycle.Health{}, cycle.BurnerExit(1050), cycle.Point{})
	if err != nil {
		t.Fatal(err)
	}
	design := 101325 * (1 - e.Data().InletLoss)
	return share * e.DesignPower() * p.P2 / design * math.Sqrt(p.T2/288.15)
}

func TestEveryPointOfTheEnvelopeMatches(t *testing.T) {
	for _, e := range engines(t) {
		points, most, sum := 0, 0, 0
		grid(func(c cycle.Condition, share float64) {
			p, err := e.Solve(c, cycle.Health{}, cycle.Power(corrected(t, e, c, share)), cycle.Point{})
			if err != nil {
				t.Errorf("%s at %.0f %%: %v", e.Data().Name, 100*share, err)
				return
			}
			points, most, sum = points+1, max(most, p.Iterations), sum+p.Iterations
			balance(t, e, p, 0)
		})
		t.Logf("%s: %d points, %.1f steps on average, %d at most", e.Data().Name, points, float64(sum)/float64(points), most)
		if points != 288 || most > 15 {
			t.Errorf("%s: %d of 288 points, %d steps", e.Data().Name, points, most)
		}
	}
}

// balance is the first law over the whole engine: what the air and the fuel bring leaves by the propeller, the accessories,
// friction, the leak and the exhaust.
func balance(t *testing.T, e *cycle.Engine, p cycle.Point, leak float64) {
	t.Helper()
	d, air := e.Data(), gas.Air()
	h := func(g gas.Gas, temperature float64) float64 {
		s, err := g.At(temperature)
		ref, _ := g.At(298.15)
		if err != nil {
			t.Fatal(err)
		}
		return s.H - ref.H
	}
	fuel, dry := p.Fuel/3600, p.AirFlow*(1-leak)
	out, err := gas.Products(fuel / dry)
	if err != nil {
		t.Fatal(err)
	}
	in := p.AirFlow*h(air, p.T2) + fuel*d.BurnerEfficiency*gas.HeatingValue
	work := p.AirFlow * (h(air, p.T3) - h(air, p.T2))
	friction := (work + d.Accessories) * (1/d.SpoolMechanical - 1)
	exit := (dry+fuel)*h(out, p.T5) + p.AirFlow*leak*h(air, p.T3)
	if miss := in - p.Power/d.OutputMechanical - d.Accessories - friction - exit; math.Abs(miss) > 0.05 {
		t.Errorf("%s: %.3f W of %.0f W went nowhere", d.Name, miss, in)
	}
}

func TestTheHeatBalanceClosesWithALeak(t *testing.T) {
	for _, e := range engines(t) {
		p, err := e.Solve(cycle.Standard(3000, 0.3, 10), cycle.Health{Bleed: 0.02}, cycle.ITT(650), cycle.Point{})
		if err != nil {
			t.Fatal(err)
		}
		balance(t, e, p, 0.02)
	}
}

func TestAnySettingGivesTheSamePoint(t *testing.T) {
	for _, e := range engines(t) {
		c, h := cycle.Condition{Altitude: 2500, OAT: 8, Mach: 0.25, PropellerSpeed: 1650, Bleed: 0.01}, cycle.Health{CompressorFlow: -0.02, CompressorEfficiency: -0.01}
		p, err := e.Solve(c, h, cycle.Power(0.6*e.DesignPower()), cycle.Point{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range []cycle.Setting{cycle.ITT(p.ITT), cycle.Ng(p.Ng), cycle.Fuel(p.Fuel), cycle.BurnerExit(p.T4)} {
			q, err := e.Solve(c, h, s, cycle.Point{})
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(q.Power/p.Power-1) > 1e-6 || math.Abs(q.ITT-p.ITT) > 1e-3 || math.Abs(q.Ng-p.Ng) > 1e-4 || math.Abs(q.Torque()*q.PropellerSpeed*math.Pi/30-q.Power) > 1e-3 {
				t.Errorf("%s with setting %+v: %+v, want %+v", e.Data().Name, s, q, p)
			}
		}
	}
}

func TestStartingNearbyChangesNothingButTheSteps(t *testing.T) {
	e := engines(t)[0]
	c := cycle.Standard(3000, 0.3, 5)
	cold, err := e.Solve(c, cycle.Health{}, cycle.Power(300e3), cycle.Point{})
	if err != nil {
		t.Fatal(err)
	}
	near, err := e.Solve(c, cycle.Health{}, cycle.Power(303e3), cycle.Point{})
	if err != nil {
		t.Fatal(err)
	}
	warm, err := e.Solve(c, cycle.Health{}, cycle.Power(303e3), cold)
	if err != nil || math.Abs(warm.ITT-near.ITT) > 1e-6 || math.Abs(warm.Fuel-near.Fuel) > 1e-6 {
		t.Errorf("warm %+v, cold %+v (%v)", warm, near, err)
	}
	if warm.Iterations >= near.Iterations {
		t.Errorf("a start nearby took %d steps, one from afar %d", warm.Iterations, near.Iterations)
	}
}

func TestNoMatchIsAnError(t *testing.T) {
	e := engines(t)[0]
	p, err := e.Solve(cycle.Standard(0, 0, 0), cycle.Health{}, cycle.Power(5*e.DesignPower()), cycle.Point{})
	none, is := errors.AsType[*cycle.NoMatchError](err)
	if !is || none.Error() == "" || p != (cycle.Point{}) {
		t.Errorf("five times the power: %+v, %v", p, err)
	}
	for name, err := range map[string]error{
		"not a number": second(e.Solve(cycle.Condition{OAT: math.NaN()}, cycle.Health{}, cycle.Power(3e5), cycle.Point{})),
		"too high":     second(e.Solve(cycle.Standard(15000, 0, 0), cycle.Health{}, cycle.Power(3e5), cycle.Point{})),
		"no power":     second(e.Solve(cycle.Standard(0, 0, 0), cycle.Health{}, cycle.Power(0), cycle.Point{})),
		"broken":       second(e.Solve(cycle.Standard(0, 0, 0), cycle.Health{CompressorFlow: -0.9}, cycle.Power(3e5), cycle.Point{})),
		"leak":         second(e.Solve(cycle.Standard(0, 0, 0), cycle.Health{Bleed: math.Inf(1)}, cycle.Power(3e5), cycle.Point{})),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

func second(_ cycle.Point, err error) error { return err }

func TestDataThatContradictThemselvesAreRefused(t *testing.T) {
	for name, spoil := range map[string]func(*cycle.Data){
		"NaN":               func(d *cycle.Data) { d.AirFlow = math.NaN() },
		"efficiency":        func(d *cycle.Data) { d.CompressorEfficiency = 1.1 },
		"cold burner":       func(d *cycle.Data) { d.BurnerExit = 905; d.PressureRatio = 20; d.CompressorEfficiency = 0.6 },
		"no power left":     func(d *cycle.Data) { d.GasGeneratorEfficiency = 0.5; d.CompressorEfficiency = 0.6 },
		"map without rise":  func(d *cycle.Data) { d.Compressor.Rise = 0 },
		"map with infinity": func(d *cycle.Data) { d.Compressor.BestBeta = math.Inf(-1) },
	} {
		d := cycle.Demonstration()[0]
		spoil(&d)
		if _, err := cycle.New(d); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	list := engines(f)
	f.Add(0.0, 15.0, 0.0, 1700.0, 400e3, 0.0, 0.0, uint8(0))
	f.Add(7620.0, -60.0, 0.4, 900.0, 700.0, -0.3, 0.2, uint8(6))
	f.Add(math.NaN(), math.Inf(1), -1.0, 0.0, 1e300, 0.3, -0.02, uint8(3))
	f.Fuzz(func(t *testing.T, altitude, oat, mach, propeller, value, wear, leak float64, kind uint8) {
		set := []func(float64) cycle.Setting{cycle.Power, cycle.ITT, cycle.Ng, cycle.Fuel, cycle.BurnerExit}[kind%5]
		h := cycle.Health{CompressorEfficiency: wear, CompressorFlow: wear, GasGeneratorEfficiency: wear, Bleed: leak, InletLoss: leak}
		p, err := list[int(kind)%len(list)].Solve(cycle.Condition{Altitude: altitude, OAT: oat, Mach: mach, PropellerSpeed: propeller}, h, set(value), cycle.Point{})
		for _, v := range []float64{p.Power, p.ITT, p.Ng, p.Fuel, p.AirFlow, p.FuelAirRatio, p.PressureRatio, p.T2, p.T3, p.T4, p.T5, p.P2, p.P3, p.Efficiency, p.Beta} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v (%v)", p, err)
			}
		}
		if err != nil && p != (cycle.Point{}) {
			t.Errorf("an error came with a number: %+v, %v", p, err)
		}
	})
}

func BenchmarkSolve(b *testing.B) {
	e := engines(b)[0]
	c := cycle.Standard(3000, 0.3, 5)
	from, err := e.Solve(c, cycle.Health{}, cycle.Power(300e3), cycle.Point{})
	if err != nil {
		b.Fatal(err)
	}
	for name, start := range map[string]cycle.Point{"from the design point": {}, "from a point nearby": from} {
		b.Run(name, func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				h := cycle.Health{CompressorEfficiency: -0.001 * float64(i%10)}
				if _, err := e.Solve(c, h, cycle.Power(300e3+500*float64(i%9)), start); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
