package performance_test

import (
	"testing"

	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/platform/referencetest"
)

// The standard atmosphere and the pitot equations by another way than the closed forms of this package: scipy integrates the hydrostatic equation over
// the temperatures of ICAO Doc 7488 (288.15 K at sea level, −6.5 K/km to 11 km, constant above; g 9.80665 m/s², R 287.05287 J/(kg K)), finds the Mach
// number at which the isentropic stagnation pressure (NACA Report 1135, equation 44) exceeds the static one by what the airspeed makes at sea level, and
// integrates the saturation pressure of water from that of 0.01 °C (611.657 Pa, IAPWS) with Clausius and Clapeyron's equation and the latent heat of the
// steam table (2500.9 kJ/kg at 0 °C, 2406 at 40 °C, nearly a straight line between).
const air = `
import numpy as np
from scipy import integrate, optimize
g, R, P0 = 9.80665, 287.05287, 101325.0
temperature = lambda h: 288.15 - 0.0065 * min(h, 11000.0)
def pressure(h):
    ends = [0.0, h] if h <= 11000 else [0.0, 11000.0, h]
    log = 0.0
    for low, high in zip(ends, ends[1:]):
        log -= integrate.quad(lambda x: g / (R * temperature(x)), low, high, epsrel=1e-13)[0]
    return P0 * np.exp(log)
figures["pressure"] = [pressure(h) for h in given["altitudes"]]
figures["temperature"] = [temperature(h) for h in given["altitudes"]]
total = lambda m: (1 + 0.2 * m * m) ** 3.5
a0 = np.sqrt(1.4 * R * 288.15)
figures["mach"], figures["theta"], figures["delta"] = [], [], []
for h, oat, kt in given["flights"]:
    p = pressure(h)
    impact = P0 * (total(kt * 1852 / 3600 / a0) - 1)
    m = optimize.brentq(lambda m: p * (total(m) - 1) - impact, 0, 1, xtol=1e-15)
    figures["mach"].append(m)
    figures["theta"].append((oat + 273.15) * (1 + 0.2 * m * m) / 288.15)
    figures["delta"].append(p * total(m) / P0)
latent = lambda c: 1000 * (2500.9 - 2.372 * c)
def saturated(c):
    return 611.657 * np.exp(integrate.quad(lambda x: latent(x) / (461.523 * (x + 273.15) ** 2), 0.01, c)[0])
figures["saturated"] = [saturated(c) for c in given["celsius"]]
`

func TestTheAtmosphereBesideScipy(t *testing.T) {
	given := struct {
		Altitudes []float64    `json:"altitudes"`
		Flights   [][3]float64 `json:"flights"`
		Celsius   []float64    `json:"celsius"`
	}{
		Altitudes: []float64{-600, 0, 500, 1524, 3048, 6096, 9144, 10999, 11000, 12192, 15000},
		Flights:   [][3]float64{{0, 15, 0}, {0, 40, 120}, {1500, 20, 90}, {3048, -5, 150}, {6096, -25, 220}, {7620, -40, 250}, {10668, -54, 240}},
		Celsius:   []float64{-20, -5, 0, 10, 20, 30, 40, 50},
	}
	says := referencetest.Python(t, air, given)
	var pressure, temperature, back, mach, theta, delta, saturated []float64
	must := func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for i, h := range given.Altitudes {
		pressure, temperature = append(pressure, must(atmosphere.Pressure(h))), append(temperature, must(atmosphere.Temperature(h)))
		back = append(back, must(atmosphere.Altitude(says["pressure"][i]))+1e5) // 0 m has no relative miss
	}
	for _, f := range given.Flights {
		c, err := atmosphere.At(f[0], f[1], f[2])
		if err != nil {
			t.Fatal(err)
		}
		mach, theta, delta = append(mach, c.Mach), append(theta, c.Theta), append(delta, c.Delta)
	}
	for _, c := range given.Celsius {
		saturated = append(saturated, must(atmosphere.VapourPressure(c)))
	}
	altitudes := make([]float64, len(given.Altitudes))
	for i, h := range given.Altitudes {
		altitudes[i] = h + 1e5
	}
	referencetest.Agree(t, "pressure", pressure, says["pressure"], 1e-11)
	referencetest.Agree(t, "temperature", temperature, says["temperature"], 1e-12)
	referencetest.Agree(t, "altitude of a pressure", back, altitudes, 1e-11)
	// the package takes the speed of sound at sea level as ICAO prints it, 340.294 m/s, which is 3.5e-8 more than √(γ R T)
	referencetest.Agree(t, "Mach number", mach[1:], says["mach"][1:], 5e-8)
	referencetest.Agree(t, "theta", theta, says["theta"], 1e-8)
	referencetest.Agree(t, "delta", delta, says["delta"], 3e-8)
	referencetest.Agree(t, "saturation pressure", saturated, says["saturated"], 0.01) // water vapour is no ideal gas, and the latent heat no straight line
}
