package atmosphere_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/atmosphere"
)

// Printed values of ISO 2533:1975 / US Standard Atmosphere 1976, geopotential altitude.
func TestStandardAtmosphere(t *testing.T) {
	for _, c := range []struct{ h, temperature, pressure float64 }{
		{0, 288.15, 101325}, {1000, 281.65, 89874.6}, {2000, 275.15, 79495.2}, {3000, 268.65, 70108.5}, {5000, 255.65, 54019.9},
		{8000, 236.15, 35599.8}, {10000, 223.15, 26436.3}, {11000, 216.65, 22632.1}, {15000, 216.65, 12044.6}, {20000, 216.65, 5474.89},
	} {
		p, err := atmosphere.Pressure(c.h)
		if err != nil || math.Abs(p-c.pressure) > 2e-5*c.pressure {
			t.Errorf("p(%g) = %g, want %g (%v)", c.h, p, c.pressure, err)
		}
		if got, err := atmosphere.Temperature(c.h); err != nil || math.Abs(got-c.temperature) > 0.005 {
			t.Errorf("T(%g) = %g, want %g (%v)", c.h, got, c.temperature, err)
		}
	}
}

// The layer equations of the same standard, inverted in Python.
func TestPressureAltitude(t *testing.T) {
	for _, c := range []struct{ pressure, altitude float64 }{
		{101325, 0}, {84307, 1524.03}, {69681, 3048.07}, {54019.9, 5000}, {30000, 9163.95}, {22632.1, 10999.98}, {15000, 13608.41},
		{46563.239, 6096.00003691}, {12044.553, 14999.9998985},
	} {
		if h, err := atmosphere.Altitude(c.pressure); err != nil || math.Abs(h-c.altitude) > 0.01 {
			t.Errorf("h(%g) = %.5f, want %.5f (%v)", c.pressure, h, c.altitude, err)
		}
	}
}

func TestAltitudeGoesThereAndBack(t *testing.T) {
	last := math.Inf(1)
	for h := -2000.0; h <= 20000; h += 100 {
		p, err := atmosphere.Pressure(h)
		if err != nil || p >= last {
			t.Fatalf("p(%g) = %g after %g (%v)", h, p, last, err)
		}
		last = p
		if back, err := atmosphere.Altitude(p); err != nil || math.Abs(back-h) > 1e-6 {
			t.Errorf("%g m came back as %.9f m (%v)", h, back, err)
		}
		z, err := atmosphere.Geometric(h)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := atmosphere.Geopotential(z); err != nil || math.Abs(back-h) > 1e-8 {
			t.Errorf("%g m of geopotential came back as %.9f m (%v)", h, back, err)
		}
	}
}

// US Standard Atmosphere 1976, eq. 18; and the altimeter setting by the definition of pressure altitude, computed in Python.
func TestAltitudesOfOtherKinds(t *testing.T) {
	if h, err := atmosphere.Geopotential(5000); err != nil || math.Abs(h-4996.07027357) > 1e-6 {
		t.Errorf("geopotential of 5,000 m: %.8f (%v)", h, err)
	}
	if h, err := atmosphere.FieldAltitude(100325, 1200*0.3048); err != nil || math.Abs(h/0.3048-1474.20192486) > 0.1 {
		t.Errorf("field altitude %.5f ft (%v)", h/0.3048, err)
	}
}

// The pitot equation of NACA Report 1135, gamma 1.4, computed in Python.
func TestMachOfCalibratedAirspeed(t *testing.T) {
	for _, c := range []struct{ knots, feet, mach float64 }{
		{250, 10000, 0.45228}, {180, 8000, 0.31476}, {150, 14000, 0.29456}, {320, 25000, 0.76126},
	} {
		p, err := atmosphere.Pressure(c.feet * 0.3048)
		if err != nil {
			t.Fatal(err)
		}
		m, err := atmosphere.Mach(c.knots, p)
		if err != nil || math.Abs(m-c.mach) > 1e-5 {
			t.Errorf("Mach of %g kt at %g ft = %.6f, want %.5f (%v)", c.knots, c.feet, m, c.mach, err)
		}
		if back, err := atmosphere.CalibratedAirspeed(m, p); err != nil || math.Abs(back-c.knots) > 1e-9 {
			t.Errorf("%g kt came back as %.9f kt (%v)", c.knots, back, err)
		}
	}
	if v, err := atmosphere.CalibratedAirspeed(0.5, 46563.239); err != nil || math.Abs(v-227.882487721) > 1e-4 {
		t.Errorf("CAS of Mach 0.5: %.6f kt (%v)", v, err)
	}
}

// At sea level calibrated airspeed is true airspeed, so Mach is V/a0 by definition.
func TestMachAtSeaLevel(t *testing.T) {
	for _, knots := range []float64{0, 100, 250} {
		want := knots * 1852 / 3600 / 340.294
		if got, err := atmosphere.Mach(knots, atmosphere.P0); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("Mach(%g kt) = %g, want %g (%v)", knots, got, want, err)
		}
	}
}

// Isentropic flow tables of NACA Report 1135, inverted.
func TestRam(t *testing.T) {
	for _, c := range []struct{ mach, temperature, pressure float64 }{
		{0.2, 1.008, 1.0283}, {0.4, 1.032, 1.1166}, {0.5, 1.05, 1.1862}, {0.8, 1.128, 1.5243}, {1, 1.2, 1.8929},
	} {
		temperature, pressure, err := atmosphere.Stagnation(c.mach, 1)
		if err != nil || math.Abs(temperature-c.temperature) > 1e-4 || math.Abs(pressure-c.pressure) > 1e-4 {
			t.Errorf("ram at Mach %g: %.5f %.5f, want %g %g (%v)", c.mach, temperature, pressure, c.temperature, c.pressure, err)
		}
	}
	if got, err := atmosphere.StaticTemperature(270, 0.4, 0.95); err != nil || math.Abs(got-262.034161491) > 1e-8 {
		t.Errorf("static temperature %.9f K (%v)", got, err) // the recovery-factor equation, computed in Python
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range [][3]float64{{math.NaN(), 15, 0}, {0, math.NaN(), 0}, {0, 15, math.Inf(1)}, {30000, 15, 0}, {0, -273.15, 0}, {0, 86, 0}, {0, 15, -1}, {18000, -60, 490}} {
		if got, err := atmosphere.At(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v gave %+v", c, got)
		}
	}
	for _, p := range []float64{0, -1, math.NaN(), math.Inf(1), 1000} {
		if _, err := atmosphere.Altitude(p); err == nil {
			t.Errorf("a pressure of %g was accepted", p)
		}
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	for _, seed := range [][3]float64{{0, 15, 0}, {101325, 0.4, 0.9}, {math.Inf(1), math.NaN(), -273.15}, {20000, 5474.889, 1}, {-2000, 127774, 500}} {
		f.Add(seed[0], seed[1], seed[2])
	}
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		check := func(name string, values ...float64) {
			for _, v := range values {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s of %g, %g, %g gave %g", name, a, b, c, v)
				}
			}
		}
		one := func(v float64, _ error) float64 { return v }
		check("altitude", one(atmosphere.Pressure(a)), one(atmosphere.Temperature(a)), one(atmosphere.Altitude(a)), one(atmosphere.FieldAltitude(a, b)))
		check("geometry", one(atmosphere.Geopotential(a)), one(atmosphere.Geometric(a)))
		check("speed", one(atmosphere.Mach(a, b)), one(atmosphere.CalibratedAirspeed(a, b)), one(atmosphere.StaticTemperature(a, b, c)))
		temperature, pressure, _ := atmosphere.Stagnation(a, b)
		condition, _ := atmosphere.At(a, b, c)
		check("ram", temperature, pressure, condition.Mach, condition.Theta, condition.Delta)
	})
}

// The powers behind pressure and Mach number are within 1e-14 of math.Pow wherever a flight can be, and never fall below what
// a root can be drawn of.
func TestPowersAgainstTheLibrary(t *testing.T) {
	const exponent = 9.80665 / (287.05287 * 0.0065)
	for h := -2000.0; h <= 11000; h += 7.3 {
		got, err := atmosphere.Pressure(h)
		if want := 101325 * math.Pow(1-0.0065*h/288.15, exponent); err != nil || math.Abs(got/want-1) > 1e-14 {
			t.Fatalf("p(%g) = %v instead of %v (%v)", h, got, want, err)
		}
		for _, v := range []float64{0, 1e-9, 1e-6, 1e-3, 0.1, 1, 40, 120, 250} {
			m, err := atmosphere.Mach(v, got)
			c := v * 1852 / 3600 / 340.294
			want := math.Sqrt(5 * (math.Pow(101325*(math.Pow(1+0.2*c*c, 3.5)-1)/got+1, 2.0/7) - 1))
			if err != nil || !(math.Abs(m*m-want*want) <= 1e-14) {
				t.Fatalf("Mach of %g kt at %g m is %v instead of %v (%v)", v, h, m, want, err)
			}
		}
	}
}

// The bounds belong to what is taken: −2,000 to 20,000 m, 0 to 1,000 kt and Mach 0 to 1, recovery 0 to 1, and 100 to 1,000 K (the package's own rules).
func TestTheBoundsBelongToWhatIsTaken(t *testing.T) {
	up, down := func(v float64) float64 { return math.Nextafter(v, math.Inf(1)) }, func(v float64) float64 { return math.Nextafter(v, math.Inf(-1)) }
	second := func(_ float64, err error) error { return err }
	stagnation := func(mach, recovery float64) error { _, _, err := atmosphere.Stagnation(mach, recovery); return err }
	for name, c := range map[string]struct {
		ask       func(v float64) error
		good, bad []float64
	}{
		"pressure at an altitude":    {func(v float64) error { return second(atmosphere.Pressure(v)) }, []float64{-2000, 20000}, []float64{down(-2000), up(20000)}},
		"temperature at an altitude": {func(v float64) error { return second(atmosphere.Temperature(v)) }, []float64{-2000, 20000}, []float64{down(-2000), up(20000)}},
		"Mach of an airspeed":        {func(v float64) error { return second(atmosphere.Mach(v, atmosphere.P0)) }, []float64{0, 600, 661.4}, []float64{down(0), 661.6, 1000}},
		"airspeed of a Mach number":  {func(v float64) error { return second(atmosphere.CalibratedAirspeed(v, atmosphere.P0)) }, []float64{0, 1}, []float64{down(0), up(1)}},
		"airspeed at a pressure":     {func(v float64) error { return second(atmosphere.CalibratedAirspeed(0.5, v)) }, []float64{atmosphere.P0, 6000}, []float64{0, 1000, 2e5}},
		"Mach at a pressure":         {func(v float64) error { return second(atmosphere.Mach(100, v)) }, []float64{atmosphere.P0, 6000}, []float64{0, 1000, 2e5}},
		"a stop of the air":          {func(v float64) error { return stagnation(v, 1) }, []float64{0, 1}, []float64{down(0), up(1)}},
		"recovery":                   {func(v float64) error { return stagnation(0.5, v) }, []float64{0, 1}, []float64{down(0), up(1)}},
		"an indicated temperature":   {func(v float64) error { return second(atmosphere.StaticTemperature(v, 0.5, 1)) }, []float64{up(100), down(1000)}, []float64{100, 1000}},
		"its Mach number":            {func(v float64) error { return second(atmosphere.StaticTemperature(288, v, 1)) }, []float64{0, 1}, []float64{down(0), up(1)}},
		"an air temperature":         {func(v float64) error { _, err := atmosphere.At(0, v, 100); return err }, []float64{up(-100), down(80)}, []float64{-100, 80}},
		"a calibrated airspeed":      {func(v float64) error { _, err := atmosphere.At(0, 15, v); return err }, []float64{0, down(500)}, []float64{down(0), 500}},
		"vapour at a temperature":    {func(v float64) error { return second(atmosphere.VapourPressure(v)) }, []float64{-45, 60}, []float64{down(-45), up(60)}},
		"a relative humidity":        {func(v float64) error { return second(atmosphere.WaterRatio(v, 20, atmosphere.P0)) }, []float64{0, 1}, []float64{down(0), up(1)}},
	} {
		for _, v := range c.good {
			if err := c.ask(v); err != nil {
				t.Errorf("%s: %v is refused: %v", name, v, err)
			}
		}
		for _, v := range c.bad {
			if c.ask(v) == nil {
				t.Errorf("%s: %v is taken", name, v)
			}
		}
	}
	for _, end := range []float64{-2000, 20000, 11000} { // what Pressure gives for an end comes back as that end
		p, err := atmosphere.Pressure(end)
		if err != nil {
			t.Fatal(err)
		}
		if h, err := atmosphere.Altitude(p); err != nil || math.Abs(h-end) > 1e-6 || h < -2000 || h > 20000 {
			t.Errorf("%g m comes back as %v (%v)", end, h, err)
		}
	}
}
