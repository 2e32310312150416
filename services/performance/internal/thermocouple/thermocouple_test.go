package thermocouple

import (
	"math"
	"testing"
)

// The table of NIST Monograph 175 / IEC 60584-1 for type K, printed to 1 µV; 700, 800 and 1,000 °C from memory.
func TestTableTypeK(t *testing.T) {
	for _, c := range []struct{ t, mv float64 }{
		{0, 0}, {25, 1.000}, {100, 4.096}, {250, 10.153}, {300, 12.209}, {500, 20.644}, {600, 24.905}, {700, 29.129}, {800, 33.275}, {910, 37.725},
		{1000, 41.276}, {1200, 48.838}, {1372, 54.886}, {-100, -3.554}, {-110, -3.852}, {-200, -5.891}, {-270, -6.458},
	} {
		if got, err := EMF(c.t); err != nil || math.Abs(got-c.mv) > 0.0006 {
			t.Errorf("E(%g) = %.5f mV, want %.3f (%v)", c.t, got, c.mv, err)
		}
	}
	if got, _ := EMF(0); math.Abs(got) > 1e-6 { // the constant of the polynomial and the bell cancel at 0 °C to the printed digits
		t.Errorf("E(0) = %g mV", got)
	}
}

// The same reference function inverted in Python, and table values inverted.
func TestInverseTypeK(t *testing.T) {
	for _, c := range []struct{ mv, t, tolerance float64 }{
		{29.129, 700, 0.05}, {33.275, 799.99, 0.05}, {20.644, 499.99, 0.05},
		{1.000242, 25, 1e-4}, {10.153369, 250, 1e-4}, {24.905467, 600, 1e-4}, {29.359293, 705.5, 1e-4}, {33.275380, 800, 1e-4},
	} {
		if got, err := Temperature(c.mv); err != nil || math.Abs(got-c.t) > c.tolerance {
			t.Errorf("t(%g mV) = %.6f, want %g (%v)", c.mv, got, c.t, err)
		}
	}
}

// What the inverse polynomials of NIST Monograph 175 give by themselves, evaluated in Python.
func TestPublishedInverse(t *testing.T) {
	for _, c := range []struct{ mv, t float64 }{
		{1.000242, 24.9896411421}, {10.153369, 249.996301964}, {24.905467, 600.004808}, {29.359293, 705.481795248}, {33.275380, 800.016799052},
	} {
		if got := approximate(c.mv); math.Abs(got-c.t) > 1e-5 {
			t.Errorf("polynomial at %g mV = %.8f, want %.8f", c.mv, got, c.t)
		}
	}
	for temperature := -199.0; temperature <= 1372; temperature++ {
		if miss := approximate(emf(temperature)) - temperature; miss < -0.055 || miss > 0.065 {
			t.Errorf("the inverse polynomial misses %g °C by %g", temperature, miss) // the monograph says −0.05 … +0.06
		}
	}
}

func TestThereAndBack(t *testing.T) {
	last := math.Inf(-1)
	for temperature := -269.5; temperature <= 1372; temperature += 0.5 {
		v, err := EMF(temperature)
		if err != nil || v <= last {
			t.Fatalf("E(%g) = %g after %g (%v)", temperature, v, last, err)
		}
		last = v
		back, err := Temperature(v)
		if err != nil || math.Abs(back-temperature) > 1e-6 {
			t.Errorf("%g °C came back as %.8f (%v)", temperature, back, err)
		}
		s, err := Sensitivity(temperature)
		if h := 1e-4; err == nil && temperature < MaxTemperature-h && math.Abs(temperature) > h {
			if numeric := (emf(temperature+h) - emf(temperature-h)) / (2 * h); math.Abs(s-numeric) > 1e-7 {
				t.Errorf("slope at %g = %g, by differences %g", temperature, s, numeric)
			}
		}
	}
}

// E(t) = E measured + E(cold junction), computed in Python.
func TestColdJunction(t *testing.T) {
	if got, err := Measured(28, 35); err != nil || math.Abs(got-706.643525281) > 1e-5 {
		t.Errorf("28 mV over 35 °C: %.8f (%v)", got, err)
	}
}

func TestOutsideIsRefused(t *testing.T) {
	for _, v := range []float64{-270.01, 1372.01, math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got, err := EMF(v); err == nil {
			t.Errorf("E(%g) = %g", v, got)
		}
		if got, err := Sensitivity(v); err == nil {
			t.Errorf("slope at %g = %g", v, got)
		}
		if got, err := Measured(1, v); err == nil {
			t.Errorf("junction at %g: %g", v, got)
		}
	}
	for _, v := range []float64{-6.46, 54.9, math.NaN(), math.Inf(1)} {
		if got, err := Temperature(v); err == nil {
			t.Errorf("t(%g mV) = %g", v, got)
		}
	}
}

// What the table gives for the ends of the range, rounded to a microvolt, is not outside of it (NIST Monograph 175, table of type K).
func TestTheEndsOfTheTable(t *testing.T) {
	for mv, want := range map[float64]float64{-6.458: -270, 54.886: 1371.989, 54.8868: 1372} {
		if got, err := Temperature(mv); err != nil || math.Abs(got-want) > 0.001 {
			t.Errorf("t(%g mV) = %g, %v, want %g", mv, got, err, want)
		}
	}
	for _, mv := range []float64{-6.4583, 54.887} {
		if got, err := Temperature(mv); err == nil {
			t.Errorf("t(%g mV) = %g", mv, got)
		}
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	for _, v := range []float64{0, -6.458, 54.886, -270, 1372, math.NaN(), math.Inf(1), 1e-300} {
		f.Add(v, -v)
	}
	f.Fuzz(func(t *testing.T, a, b float64) {
		one := func(v float64, _ error) float64 { return v }
		for i, v := range []float64{one(EMF(a)), one(Sensitivity(a)), one(Temperature(a)), one(Measured(a, b))} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("function %d of %g, %g gave %g", i, a, b, v)
			}
		}
	})
}
