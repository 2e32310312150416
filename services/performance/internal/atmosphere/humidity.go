package atmosphere

import (
	"fmt"
	"math"
)

// Gas constants [J/(kg K)] of dry air and of water vapour, and the ratio of their molar masses.
const (
	dryGas     = 287.053
	vapourGas  = 461.523
	massRatio  = 0.62198
	coldestFog = -45.0 // °C
	hottestFog = 60.0  // °C
)

// VapourPressure is the saturation pressure of water vapour over water [Pa] at a temperature [°C], −45 to 60 °C: the Magnus
// form as in WMO-No. 8, from memory; within 0.3 % of the steam table at 20 °C.
func VapourPressure(celsius float64) (float64, error) {
	if !(celsius >= coldestFog && celsius <= hottestFog) {
		return 0, fmt.Errorf("the humidity of air is covered from %g to %g °C, not at %g °C", coldestFog, hottestFog, celsius)
	}
	return 611.2 * math.Exp(17.62*celsius/(243.12+celsius)), nil
}

// WaterRatio is the mass of water to that of dry air at a relative humidity (0 to 1), a temperature [°C] and a pressure [Pa].
func WaterRatio(humidity, celsius, pressure float64) (float64, error) {
	saturated, err := VapourPressure(celsius)
	if err != nil {
		return 0, err
	}
	if e := humidity * saturated; humidity >= 0 && humidity <= 1 && pressure > 2*e && pressure <= 2*P0 {
		return massRatio * e / (pressure - e), nil
	}
	return 0, fmt.Errorf("a relative humidity of %g at %g Pa makes no sense", humidity, pressure)
}

// GasConstant is that of moist air [J/(kg K)] with this mass of water to that of dry air.
func GasConstant(ratio float64) (float64, error) {
	if !(ratio >= 0 && ratio <= 1) {
		return 0, fmt.Errorf("a ratio of %g of water to air makes no sense", ratio)
	}
	return (dryGas + vapourGas*ratio) / (1 + ratio), nil
}

// WettestSpeedEffect is how far [%] a speed corrected as in dry air can be off at most because humidity is not measured: in
// saturated air at a temperature [°C] and a pressure [Pa], by the square root of the gas constant. Beyond what is covered it
// is refused.
func WettestSpeedEffect(celsius, pressure float64) (float64, error) {
	w, err := WaterRatio(1, celsius, pressure)
	if err != nil {
		return 0, err
	}
	r, err := GasConstant(w)
	return 100 * (math.Sqrt(r/dryGas) - 1), err
}
