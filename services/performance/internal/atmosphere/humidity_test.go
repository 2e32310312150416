package atmosphere_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/atmosphere"
)

// hum-01: 2,339.2 Pa at 20 °C by the steam table (from memory), within 0.4 %. hum-02 and hum-03: the Magnus form and mass
// weighting in Python.
func TestMoistAir(t *testing.T) {
	e, err := atmosphere.VapourPressure(20)
	if err != nil || math.Abs(e-2339.2) > 0.004*2339.2 {
		t.Errorf("hum-01: %g, %v", e, err)
	}
	w, err := atmosphere.WaterRatio(0.6, 30, 101325)
	if err != nil || math.Abs(w-0.0159941155939) > 1e-6*w {
		t.Errorf("hum-02: %.12g, %v", w, err)
	}
	r, err := atmosphere.GasConstant(0.0157)
	if err != nil || math.Abs(r-289.749713734) > 1e-6*r {
		t.Errorf("hum-03: %.12g, %v", r, err)
	}
	// The handbook's size: at 30 °C and 60 % R rises by 0.94 %, the corrected speed by about 0.4 %; saturated air goes further.
	wet, err := atmosphere.WettestSpeedEffect(30, 101325)
	if err != nil || wet < 0.47 || wet > 1 {
		t.Errorf("%g %%, %v", wet, err)
	}
}

func TestHumidityThatMakesNoSense(t *testing.T) {
	for _, c := range [][3]float64{{-0.1, 20, 101325}, {1.1, 20, 101325}, {math.NaN(), 20, 101325}, {0.5, 70, 101325}, {0.5, -273.15, 101325}, {0.5, 20, 0}, {0.5, 20, math.Inf(1)}} {
		if w, err := atmosphere.WaterRatio(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v gives %g", c, w)
		}
	}
	if r, err := atmosphere.GasConstant(math.NaN()); err == nil {
		t.Errorf("%g", r)
	}
	if v, err := atmosphere.WettestSpeedEffect(80, 101325); err == nil {
		t.Errorf("%g", v)
	}
}
