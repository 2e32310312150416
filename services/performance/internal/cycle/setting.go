package cycle

import "fmt"

// Condition is the air that the engine is in and what is asked of it besides power.
type Condition struct {
	Altitude       float64 // pressure altitude, m
	OAT            float64 // static air temperature, °C
	Mach           float64
	PropellerSpeed float64 // rpm; 0 is the design's
	Bleed          float64 // share of the compressor's air taken by the aircraft
}

// Standard is the condition at a pressure altitude [m] and a Mach number with the temperature of the standard day plus this.
func Standard(altitude, mach, warmer float64) Condition {
	return Condition{Altitude: altitude, Mach: mach, OAT: 15 - 0.0065*min(altitude, 11000) + warmer}
}

func (c Condition) check() error {
	for _, v := range []struct {
		name             string
		value, low, high float64
	}{
		{"pressure altitude [m]", c.Altitude, -1000, 12000}, {"air temperature [°C]", c.OAT, -70, 60}, {"Mach number", c.Mach, 0, 0.7},
		{"propeller speed [rpm]", c.PropellerSpeed, 0, 60000}, {"bleed share", c.Bleed, 0, 0.15},
	} {
		if !(v.value >= v.low && v.value <= v.high) {
			return fmt.Errorf("the %s is %g; the engine model covers %g to %g", v.name, v.value, v.low, v.high)
		}
	}
	return nil
}

func (h Health) check() error {
	for _, v := range []float64{
		h.CompressorEfficiency, h.CompressorFlow, h.GasGeneratorEfficiency, h.GasGeneratorFlow, h.PowerTurbineEfficiency, h.PowerTurbineFlow, h.BurnerEfficiency,
	} {
		if !(v >= -0.3 && v <= 0.3) {
			return fmt.Errorf("a change of health of %g is outside ±0.3", v)
		}
	}
	if !(h.Bleed >= -0.02 && h.Bleed <= 0.2 && h.InletLoss >= -0.02 && h.InletLoss <= 0.2) {
		return fmt.Errorf("a leak of %g or an inlet loss of %g is outside −0.02 to 0.2", h.Bleed, h.InletLoss)
	}
	return nil
}

// Setting is what is held: one parameter at a value.
type Setting struct {
	parameter parameter
	value     float64
}

type parameter int

const (
	power parameter = iota
	itt
	ng
	fuelFlow
	burnerExit
)

// Power holds the propeller's power [W].
func Power(watts float64) Setting { return Setting{power, watts} }

// ITT holds the inter-turbine temperature [°C].
func ITT(celsius float64) Setting { return Setting{itt, celsius} }

// Ng holds the gas generator's speed [%].
func Ng(percent float64) Setting { return Setting{ng, percent} }

// Fuel holds the fuel flow [kg/h].
func Fuel(kilogramsPerHour float64) Setting { return Setting{fuelFlow, kilogramsPerHour} }

// BurnerExit holds the burner's exit temperature [K].
func BurnerExit(kelvin float64) Setting { return Setting{burnerExit, kelvin} }

func (s Setting) check() error {
	limits := [...]struct {
		name      string
		low, high float64
	}{{"power [W]", 1000, 1e7}, {"ITT [°C]", 200, 1300}, {"Ng [%]", 40, 130}, {"fuel flow [kg/h]", 1, 5000}, {"burner exit temperature [K]", 650, 1900}}
	l := limits[s.parameter]
	if !(s.value >= l.low && s.value <= l.high) {
		return fmt.Errorf("a setting of the %s to %g is outside %g to %g", l.name, s.value, l.low, l.high)
	}
	return nil
}

// miss is how far a point is off the setting, relative to the design.
func (s Setting) miss(p *Point, e *Engine) float64 {
	switch s.parameter {
	case itt:
		return (p.ITT - s.value) / 1000
	case ng:
		return (p.Ng - s.value) / e.data.Speed
	case fuelFlow:
		return (p.Fuel - s.value) / (e.fuel * 3600)
	case burnerExit:
		return (p.T4 - s.value) / 1000
	default:
		return (p.Power - s.value) / e.power
	}
}
