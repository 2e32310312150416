// Package atmosphere is the standard atmosphere and the flight condition: ISO 2533 / US Standard Atmosphere 1976 up to
// 20 km of geopotential altitude, calibrated airspeed to Mach number, and the ratios theta and delta of the engine inlet.
package atmosphere

import (
	"fmt"
	"math"
)

// Constants of ISO 2533: sea-level temperature [K] and pressure [Pa], lapse rate [K/m], gravity [m/s2], gas constant of air
// [J/(kg K)], the tropopause [m] and the speed of sound at sea level [m/s].
const (
	T0         = 288.15
	P0         = 101325.0
	lapse      = 0.0065
	gravity    = 9.80665
	gas        = 287.05287
	tropopause = 11000.0
	ceiling    = 20000.0
	soundSpeed = 340.294
	gamma      = 1.4
)

// Pressure is the static pressure [Pa] at a geopotential (pressure) altitude [m], from −2,000 to 20,000 m.
func Pressure(altitude float64) (float64, error) {
	if !(altitude >= -2000 && altitude <= ceiling) {
		return 0, fmt.Errorf("a pressure altitude of %g m is outside −2,000 to 20,000 m", altitude)
	}
	if altitude <= tropopause {
		return P0 * math.Pow(1-lapse*altitude/T0, gravity/(gas*lapse)), nil
	}
	base := P0 * math.Pow(1-lapse*tropopause/T0, gravity/(gas*lapse))
	return base * math.Exp(-gravity*(altitude-tropopause)/(gas*Temperature(tropopause))), nil
}

// Temperature is the standard temperature [K] at a geopotential altitude [m].
func Temperature(altitude float64) float64 { return T0 - lapse*math.Min(altitude, tropopause) }

// Altitude is the pressure altitude [m] of a static pressure [Pa]; the inverse of Pressure.
func Altitude(pressure float64) (float64, error) {
	if !(pressure > 0) || math.IsInf(pressure, 1) {
		return 0, fmt.Errorf("a pressure of %g Pa is not that of an atmosphere", pressure)
	}
	h := T0 / lapse * (1 - math.Pow(pressure/P0, gas*lapse/gravity))
	if h > tropopause {
		base := P0 * math.Pow(1-lapse*tropopause/T0, gravity/(gas*lapse))
		h = tropopause - math.Log(pressure/base)*gas*Temperature(tropopause)/gravity
	}
	if _, err := Pressure(h); err != nil {
		return 0, err
	}
	return h, nil
}

// Mach is the flight Mach number of a calibrated airspeed [kt] at a static pressure [Pa], subsonic.
func Mach(calibratedKnots, pressure float64) float64 {
	v := calibratedKnots * 1852 / 3600 / soundSpeed
	impact := P0 * (math.Pow(1+0.2*v*v, 3.5) - 1)
	return math.Sqrt(5 * (math.Pow(impact/pressure+1, 2.0/7) - 1))
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
	m := Mach(airspeed, pressure)
	ram := 1 + (gamma-1)/2*m*m
	return Condition{Mach: m, Theta: (oat + 273.15) * ram / T0, Delta: pressure * math.Pow(ram, gamma/(gamma-1)) / P0}, nil
}
