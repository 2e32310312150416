package fleetgen

import (
	"math"

	"coldsection.example/services/performance/demoengine"
)

// washCondition is where the true recovery of a wash is stated.
var washCondition = inFlight(10000, 160, 15-0.0065*10000*foot)

func washPower(e *demoengine.Engine) float64 { return 0.8 * referred(e, washCondition) }

// inFlight is a condition of altitude [ft], calibrated airspeed [kt] and static temperature [°C]. The relations of the
// standard atmosphere and of subsonic flow are written here once more, so that the generator does not share them with what it judges.
func inFlight(feet, knots, oat float64) demoengine.Condition {
	p := 101325 * math.Pow(1-0.0065*feet*foot/288.15, 5.255880)
	v := knots * knot / 340.294
	impact := 101325 * (math.Pow(1+v*v/5, 3.5) - 1)
	return demoengine.Condition{Altitude: feet * foot, OAT: oat, Mach: math.Sqrt(5 * (math.Pow(1+impact/p, 1/3.5) - 1)), PropellerSpeed: propeller}
}

// referred is the design power [W] as the air at a condition allows it: times delta and the root of theta.
func referred(e *demoengine.Engine, c demoengine.Condition) float64 {
	ram := 1 + c.Mach*c.Mach/5
	theta := (c.OAT + 273.15) * ram / 288.15
	delta := math.Pow(1-0.0065*c.Altitude/288.15, 5.255880) * math.Pow(ram, 3.5)
	return e.DesignPower() * delta * math.Sqrt(theta)
}

// baseline is the table of the clean nominal engine, as a maker would give it.
func baseline(e *demoengine.Engine) ([]Row, error) {
	var rows []Row
	from := demoengine.Point{}
	for _, altitude := range []float64{0, 2000, 4000, 6000, 8000, 10000, 12000, 14000, 16000} {
		speeds := []float64{140, 165, 190}
		if altitude <= 4000 {
			speeds = append([]float64{0}, speeds...)
		}
		for _, warmer := range []float64{-20, 0, 20} {
			for _, airspeed := range speeds {
				for _, share := range []float64{0.45, 0.55, 0.65, 0.75, 0.85, 0.95} {
					c := inFlight(altitude, airspeed, 15-0.0065*altitude*foot+warmer)
					p, err := demoengine.AtPower(e, c, demoengine.Health{}, share*referred(e, c), from)
					if err != nil {
						return nil, err
					}
					from = p
					rows = append(rows, Row{
						Altitude: altitude, OAT: round(c.OAT, 2), Airspeed: airspeed, Np: propeller, Torque: round(p.Torque()/footPound, 2),
						Ng: round(p.Ng, 3), ITT: round(p.ITT, 2), Fuel: round(p.Fuel/pound, 3),
					})
				}
			}
		}
	}
	return rows, nil
}
