package atmosphere

import (
	"fmt"
	"math"
)

// knot is one knot in m/s.
const knot = 1852.0 / 3600

// Mach is the flight Mach number of a calibrated airspeed [kt] at a static pressure [Pa], up to Mach 1: the pitot equation
// of compressible subsonic flow with gamma 1.4 (NACA Report 1135).
func Mach(calibratedKnots, pressure float64) (float64, error) {
	if !(calibratedKnots >= 0 && calibratedKnots < 1000) {
		return 0, fmt.Errorf("a calibrated airspeed of %g kt is outside 0 to 1,000 kt", calibratedKnots)
	}
	if _, err := Altitude(pressure); err != nil {
		return 0, err
	}
	return machAt(calibratedKnots, pressure)
}

// machAt is Mach at a pressure that is known to be one of the atmosphere.
func machAt(calibratedKnots, pressure float64) (float64, error) {
	v := calibratedKnots * knot / soundSpeed
	impact := P0 * (seventhHalves(1+0.2*v*v) - 1)
	m := math.Sqrt(5 * math.Max(0, raised(impact/pressure+1, 2.0/7)-1))
	if m > 1 {
		return 0, fmt.Errorf("%g kt at %g Pa is Mach %.2f; only subsonic flight is covered", calibratedKnots, pressure, m)
	}
	return m, nil
}

// seventhHalves is the power 3.5, which is γ/(γ − 1) for γ = 1.4.
func seventhHalves(x float64) float64 { return x * x * x * math.Sqrt(x) }

// CalibratedAirspeed [kt] of a Mach number at a static pressure [Pa]; the inverse of Mach.
func CalibratedAirspeed(mach, pressure float64) (float64, error) {
	if err := checkMach(mach); err != nil {
		return 0, err
	}
	if _, err := Altitude(pressure); err != nil {
		return 0, err
	}
	impact := pressure * (seventhHalves(1+0.2*mach*mach) - 1)
	return soundSpeed / knot * math.Sqrt(5*(math.Pow(impact/P0+1, 2.0/7)-1)), nil
}

func checkMach(mach float64) error {
	if !(mach >= 0 && mach <= 1) {
		return fmt.Errorf("a Mach number of %g is outside 0 to 1", mach)
	}
	return nil
}

// Stagnation is what stopping the air does: total over static temperature as a probe of this recovery factor (1 is a full stop)
// sees it, and total over static pressure (NACA Report 1135, gamma 1.4).
func Stagnation(mach, recovery float64) (temperature, pressure float64, err error) {
	if err := checkMach(mach); err != nil {
		return 0, 0, err
	}
	if !(recovery >= 0 && recovery <= 1) {
		return 0, 0, fmt.Errorf("a recovery factor of %g is outside 0 to 1", recovery)
	}
	rise := (gamma - 1) / 2 * mach * mach
	return 1 + recovery*rise, seventhHalves(1 + rise), nil
}

// StaticTemperature [K] is the air's own temperature, from what a probe of this recovery factor indicates [K] at a Mach
// number.
func StaticTemperature(indicated, mach, recovery float64) (float64, error) {
	ratio, _, err := Stagnation(mach, recovery)
	if err != nil {
		return 0, err
	}
	if !(indicated > 100 && indicated < 1000) {
		return 0, fmt.Errorf("an indicated air temperature of %g K is outside 100 to 1,000 K", indicated)
	}
	return indicated / ratio, nil
}

// Condition is the state of the air that the engine takes in.
type Condition struct {
	Mach         float64
	Theta, Delta float64 // total temperature over 288.15 K, total pressure over 101,325 Pa
}

// At works a condition out from pressure altitude [m], outside air temperature [°C] and calibrated airspeed [kt]. The
// temperature is taken as static; recovery of the inlet is taken as whole.
func At(altitude, oat, airspeed float64) (Condition, error) {
	pressure, err := Pressure(altitude)
	if err != nil {
		return Condition{}, err
	}
	if !(oat > -100 && oat < 80) {
		return Condition{}, fmt.Errorf("an air temperature of %g °C is outside −100 to 80 °C", oat)
	}
	if !(airspeed >= 0 && airspeed < 500) {
		return Condition{}, fmt.Errorf("a calibrated airspeed of %g kt is outside 0 to 500 kt", airspeed)
	}
	m, err := machAt(airspeed, pressure)
	if err != nil {
		return Condition{}, err
	}
	temperature, ram, err := Stagnation(m, 1)
	return Condition{Mach: m, Theta: (oat + 273.15) * temperature / T0, Delta: pressure * ram / P0}, err
}
