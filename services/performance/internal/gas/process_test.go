package gas_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/gas"
)

// Cengel & Boles, effect of efficiency on compressor power input: 100 kPa and 285 K to 800 kPa at 80 %, 0.2 kg/s (exit
// temperature and power from memory).
func TestCompressorWork(t *testing.T) {
	air := gas.Air()
	from := at(t, air, 285)
	to, err := air.Compress(from, 8, 0.8)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exit temperature", to.T, 569.5, 1)
	near(t, "power", 0.2*(to.H-from.H)/1000, 58, 0.3)
}

// Cengel & Boles, the simple Brayton cycle at pressure ratio 8 between 300 and 1,300 K, ideal and with efficiencies of
// 80 and 85 % (values from memory).
func TestBraytonCycles(t *testing.T) {
	air := gas.Air()
	for _, c := range []struct{ compressor, turbine, t2, t4, t4Tolerance, back, efficiency float64 }{
		{1, 1, 540, 770, 1.5, 0.403, 0.426},
		{0.8, 0.85, 605, 853, 2, 0.592, 0.266},
	} {
		one, three := at(t, air, 300), at(t, air, 1300)
		two, err := air.Compress(one, 8, c.compressor)
		if err != nil {
			t.Fatal(err)
		}
		four, err := air.Expand(three, 8, c.turbine)
		if err != nil {
			t.Fatal(err)
		}
		if c.compressor == 1 {
			near(t, "T2", two.T, c.t2, 1.5)
		}
		near(t, "T4", four.T, c.t4, c.t4Tolerance)
		work := three.H - four.H
		near(t, "back work", (two.H-one.H)/work, c.back, 0.004)
		near(t, "efficiency", (work-(two.H-one.H))/(three.H-two.H), c.efficiency, 0.004)
	}
}

// The NASA polynomials and the definitions of both efficiencies, computed in Python.
func TestCompressorEfficiency(t *testing.T) {
	for _, c := range []struct{ inlet, exit, ratio, isentropic, ideal, polytropic, tolerance float64 }{
		{288.15, 571, 7.5, 0.77997, 509.84, 0.83108, 1e-5},
		{288.15, 560, 7.1, 0.78354, 502.12, 0.83275, 1e-5},
		{300, 520, 5.5, 0.84495, 486.35, 0.87655, 1e-5},
		{288.15, 575, 760000.0 / 101325, 0.768867818157, 0, 0.822493898585, 1e-6},
	} {
		e, err := gas.CompressorEfficiency(c.inlet, c.exit, c.ratio)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "isentropic", e.Isentropic, c.isentropic, c.tolerance)
		near(t, "polytropic", e.Polytropic, c.polytropic, c.tolerance)
		if c.ideal > 0 {
			near(t, "ideal exit", e.IdealExit, c.ideal, 0.01)
		}
		warmer, err := gas.CompressorEfficiency(c.inlet, c.exit+1, c.ratio)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "slope", e.Isentropic-warmer.Isentropic, e.PerKelvin, 0.01*e.PerKelvin)
		near(t, "relative slope", e.PerKelvin/e.Isentropic, 0.0037, 0.001) // "1 K is about 0.35 %", the usual rule of thumb
	}
}

func TestImpossibleCompressorsAreRefused(t *testing.T) {
	for _, c := range [][3]float64{{288, 500, 7.5}, {288, 570, 1}, {288, 570, math.NaN()}, {math.NaN(), 570, 7}, {288, math.Inf(1), 7}, {600, 288, 7}} {
		if e, err := gas.CompressorEfficiency(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v gave %+v", c, e)
		}
	}
}

func TestBurnClosesTheHeatBalance(t *testing.T) {
	for _, exit := range []float64{600, 900, 1240, 1500} {
		f, out, err := gas.Burn(570, exit, 0.985)
		if err != nil {
			t.Fatal(err)
		}
		air := gas.Air()
		in := at(t, air, 570).H - at(t, air, 298.15).H + f*0.985*gas.HeatingValue
		near(t, "heat", (1+f)*(at(t, out, exit).H-at(t, out, 298.15).H), in, 1)
	}
	for _, c := range [][3]float64{{570, 500, 1}, {570, 1200, 0}, {math.NaN(), 1200, 1}, {570, math.NaN(), 1}, {570, 2499, 0.5}} {
		if f, _, err := gas.Burn(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v burnt %g", c, f)
		}
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	for _, seed := range [][4]float64{{288, 570, 7.5, 0.02}, {200, 2500, 1e-9, 0.068}, {math.NaN(), math.Inf(1), 0, -1}, {1000, 1000, 1, 1}} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	f.Fuzz(func(t *testing.T, a, b, c, d float64) {
		check := func(values ...float64) {
			for i, v := range values {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%g, %g, %g, %g: value %d is %g", a, b, c, d, i, v)
				}
			}
		}
		state := func(s gas.State, _ error) { check(s.T, s.Cp, s.H, s.S) }
		g, err := gas.Products(d)
		if err != nil {
			g = gas.Air()
		}
		state(g.At(a))
		state(g.AtEnthalpy(b, a))
		state(g.AtEntropy(b, c))
		if from, err := g.At(a); err == nil {
			check(g.Gamma(from))
			state(g.Isentropic(from, c))
			state(g.Compress(from, c, d))
			state(g.Expand(from, c, d))
		}
		e, _ := gas.CompressorEfficiency(a, b, c)
		check(e.Isentropic, e.Polytropic, e.IdealExit, e.PerKelvin)
		ratio, _, _ := gas.Burn(a, b, d)
		check(ratio)
	})
}

func BenchmarkState(b *testing.B) {
	air := gas.Air()
	for b.Loop() {
		if _, err := air.At(700); err != nil {
			b.Fatal(err)
		}
	}
}
