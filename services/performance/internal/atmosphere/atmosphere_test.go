package atmosphere_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/atmosphere"
)

// Printed values of ISO 2533:1975 / US Standard Atmosphere 1976, geopotential altitude.
func TestStandardAtmosphere(t *testing.T) {
	for _, c := range []struct{ h, temperature, pressure float64 }{
		{0, 288.15, 101325}, {1000, 281.65, 89874.6}, {2000, 275.15, 79495.2}, {3000, 268.65, 70108.5},
		{11000, 216.65, 22632.1}, {20000, 216.65, 5474.89},
	} {
		p, err := atmosphere.Pressure(c.h)
		if err != nil || math.Abs(p-c.pressure) > 2e-5*c.pressure {
			t.Errorf("p(%g) = %g, want %g (%v)", c.h, p, c.pressure, err)
		}
		if got := atmosphere.Temperature(c.h); math.Abs(got-c.temperature) > 0.005 {
			t.Errorf("T(%g) = %g, want %g", c.h, got, c.temperature)
		}
		if h, err := atmosphere.Altitude(p); err != nil || math.Abs(h-c.h) > 0.01 {
			t.Errorf("h(%g) = %g, want %g (%v)", p, h, c.h, err)
		}
	}
}

// At sea level calibrated airspeed is true airspeed, so Mach is V/a0 by definition.
func TestMachAtSeaLevel(t *testing.T) {
	for _, knots := range []float64{0, 100, 250} {
		want := knots * 1852 / 3600 / 340.294
		if got := atmosphere.Mach(knots, atmosphere.P0); math.Abs(got-want) > 1e-9 {
			t.Errorf("Mach(%g kt) = %g, want %g", knots, got, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range [][3]float64{{math.NaN(), 15, 0}, {0, math.NaN(), 0}, {0, 15, math.Inf(1)}, {30000, 15, 0}, {0, -273.15, 0}, {0, 86, 0}, {0, 15, -1}} {
		if got, err := atmosphere.At(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v gave %+v", c, got)
		}
	}
	for _, p := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := atmosphere.Altitude(p); err == nil {
			t.Errorf("a pressure of %g was accepted", p)
		}
	}
}
