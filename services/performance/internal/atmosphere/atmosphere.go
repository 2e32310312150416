// Package atmosphere is the standard atmosphere and the flight condition: ISO 2533 / US Standard Atmosphere 1976 from −2 to
// 20 km of geopotential altitude, calibrated airspeed and Mach number, ram rise, and the ratios theta and delta of the
// engine inlet. Every function refuses what lies outside its range; none returns NaN or infinity.
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
	floor      = -2000.0
	tropopause = 11000.0
	ceiling    = 20000.0
	soundSpeed = 340.294
	gamma      = 1.4
)

// earthRadius [m] is the one by which the US Standard Atmosphere 1976 relates geometric to geopotential altitude (eq. 18).
const earthRadius = 6356766.0

// tropopausePressure is the pressure [Pa] at 11 km.
var tropopausePressure = P0 * math.Pow(1-lapse*tropopause/T0, gravity/(gas*lapse))

// Pressure is the static pressure [Pa] at a geopotential (pressure) altitude [m], from −2,000 to 20,000 m.
func Pressure(altitude float64) (float64, error) {
	if err := checkAltitude(altitude); err != nil {
		return 0, err
	}
	if altitude <= tropopause {
		return P0 * raised(1-lapse*altitude/T0, gravity/(gas*lapse)), nil
	}
	return tropopausePressure * math.Exp(-gravity*(altitude-tropopause)/(gas*(T0-lapse*tropopause))), nil
}

// raised is a power of a number near 1, within some 1e-15 of math.Pow and in half its time.
func raised(x, exponent float64) float64 { return math.Exp(exponent * math.Log(x)) }

func checkAltitude(altitude float64) error {
	if !(altitude >= floor && altitude <= ceiling) {
		return fmt.Errorf("a pressure altitude of %g m is outside −2,000 to 20,000 m", altitude)
	}
	return nil
}

// Temperature is the standard temperature [K] at a geopotential altitude [m], from −2,000 to 20,000 m.
func Temperature(altitude float64) (float64, error) {
	if err := checkAltitude(altitude); err != nil {
		return 0, err
	}
	return T0 - lapse*math.Min(altitude, tropopause), nil
}

// Altitude is the pressure altitude [m] of a static pressure [Pa]; the inverse of Pressure.
func Altitude(pressure float64) (float64, error) {
	if !(pressure > 0) || math.IsInf(pressure, 1) {
		return 0, fmt.Errorf("a pressure of %g Pa is not that of an atmosphere", pressure)
	}
	h := T0 / lapse * (1 - math.Pow(pressure/P0, gas*lapse/gravity))
	if h > tropopause {
		h = tropopause - math.Log(pressure/tropopausePressure)*gas*(T0-lapse*tropopause)/gravity
	}
	if h > ceiling && h < ceiling+1e-6 { // the rounding of a pressure that Pressure gave for the ceiling itself
		h = ceiling
	}
	if h < floor && h > floor-1e-6 {
		h = floor
	}
	if err := checkAltitude(h); err != nil {
		return 0, err
	}
	return h, nil
}

// FieldAltitude is the pressure altitude [m] of a place at an elevation [m] where the altimeter setting QNH [Pa] holds.
func FieldAltitude(qnh, elevation float64) (float64, error) {
	h, err := Altitude(qnh)
	if err != nil {
		return 0, err
	}
	if err := checkAltitude(h + elevation); err != nil {
		return 0, err
	}
	return h + elevation, nil
}

// Geopotential is the geopotential altitude [m] of a geometric one [m], up to 100 km.
func Geopotential(geometric float64) (float64, error) {
	if !(math.Abs(geometric) <= 1e5) {
		return 0, fmt.Errorf("a geometric altitude of %g m is outside ±100 km", geometric)
	}
	return earthRadius * geometric / (earthRadius + geometric), nil
}

// Geometric is the geometric altitude [m] of a geopotential one [m]; the inverse of Geopotential.
func Geometric(geopotential float64) (float64, error) {
	if !(math.Abs(geopotential) <= 1.1e5) {
		return 0, fmt.Errorf("a geopotential altitude of %g m is outside ±110 km", geopotential)
	}
	return earthRadius * geopotential / (earthRadius - geopotential), nil
}
