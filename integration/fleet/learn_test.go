package main

import (
	"math"
	"testing"
	"time"

	"coldsection.example/integration/fleetgen"
	"coldsection.example/services/performance/demoengine"
	"coldsection.example/services/performance/trend"
)

// units of a flight log.
const (
	foot      = 0.3048
	footPound = 1.3558179483314004
	pound     = 0.45359237
)

func pointOf(r *fleetgen.Row) trend.Point {
	return trend.Point{
		Altitude: r.Altitude * foot, OAT: r.OAT, Airspeed: r.Airspeed, Np: r.Np, Torque: r.Torque * footPound, ITT: r.ITT, Ng: r.Ng, Fuel: r.Fuel * pound,
	}
}

// cleanFleet are the readings of healthy engines in the days after their first one, by engine.
func cleanFleet(t *testing.T, seed uint64, engine, engines int, days float64) (fleet []trend.Source, made *fleetgen.Fleet) {
	t.Helper()
	faults := make([]fleetgen.Fault, engines)
	for i := range faults {
		faults[i] = fleetgen.None
	}
	made, err := fleetgen.Make(fleetgen.Config{Seed: seed, Engine: engine, Faults: faults, Days: 365})
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	first := map[string]time.Time{}
	for i := range made.Readings {
		r := &made.Readings[i]
		if _, known := at[r.Serial]; !known {
			at[r.Serial], first[r.Serial] = len(fleet), r.Time
			fleet = append(fleet, trend.Source{Engine: r.Serial})
		}
		if age := r.Time.Sub(first[r.Serial]).Hours() / 24; age >= 0 && age <= days {
			fleet[at[r.Serial]].Readings = append(fleet[at[r.Serial]].Readings, trend.Clean{Point: pointOf(r), Age: age})
		}
	}
	return fleet, made
}

// compared are the differences between what was learned and the engine itself at what the readings say: ITT [°C], Ng [%], fuel
// flow [%].
func compared(t *testing.T, engine int, fleet []trend.Source, b *trend.Baseline) (differences [][3]float64) {
	t.Helper()
	data := demoengine.Engines()[engine]
	data.PropellerSpeed = 1700
	whole, err := demoengine.New(data)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range fleet {
		for i := 0; i < len(e.Readings); i += 4 {
			p := e.Readings[i].Point
			x, err := b.Expect(p)
			if err != nil || b.Outside(p) != "" {
				continue
			}
			c := demoengine.Condition{Altitude: p.Altitude, OAT: p.OAT, Mach: x.Condition.Mach, PropellerSpeed: p.Np}
			y, err := demoengine.AtPower(whole, c, demoengine.Health{}, 1000*p.Power(), demoengine.Point{})
			if err == nil {
				differences = append(differences, [3]float64{x.Expected.ITT - y.ITT, x.Expected.Ng - y.Ng, 100 * (x.Expected.Fuel/y.Fuel - 1)})
			}
		}
	}
	return differences
}

// Eight healthy engines with the usual scatter, mistakes and all, in their first 90 days. What is learned differs from the
// engine itself by the mean of what they were built and aged to, which no fleet can tell from its model, within 2.5 °C; and
// apart from that by at most 1 °C (standard deviation), 0.1 % of Ng and 0.5 % of fuel flow over all conditions flown.
func TestTheFleetTellsItsEngine(t *testing.T) {
	for engine := range 4 {
		fleet, made := cleanFleet(t, 700+uint64(engine), engine, 8, 90)
		l, b, err := trend.Learn(fleet)
		if err != nil {
			t.Fatal(err)
		}
		differences := compared(t, engine, fleet, b)
		if len(differences) < 100 {
			t.Fatalf("%d conditions were compared", len(differences))
		}
		const aged = 0.0015 * 1060 // °C: 0.2 % of turbine efficiency in 1,000 h, engines 0 to 1,500 h older than new, 10.6 °C for 1 %
		built := aged
		for _, e := range made.Truth.Engines {
			built += e.Params.Offset / float64(len(made.Truth.Engines))
		}
		var mean, sd [3]float64
		for i := range 3 {
			for _, d := range differences {
				mean[i] += d[i] / float64(len(differences))
			}
			for _, d := range differences {
				sd[i] += (d[i] - mean[i]) * (d[i] - mean[i]) / float64(len(differences))
			}
			sd[i] = math.Sqrt(sd[i])
		}
		t.Logf("engine %d, %d readings: mean %.2f °C of %.2f, %.3f %%, %.2f %%; about it %.2f °C, %.3f %%, %.2f %%; a reading scatters by %.1f °C",
			engine, l.Readings, mean[0], built, mean[1], mean[2], sd[0], sd[1], sd[2], l.Scale.ITT)
		if math.Abs(mean[0]-built) > 2.5 || sd[0] > 1 || sd[1] > 0.1 || sd[2] > 0.5 {
			t.Errorf("engine %d: mean %v, standard deviation %v", engine, mean, sd)
		}
	}
}
