package story

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// simulation is the invented engine: what it reads clean, how it gets dirty and what a wash brings back. Every figure is
// made up for the demonstration and is no engine's.
type simulation struct {
	noise *rand.Rand
}

// How the invented engine lives.
const (
	hoursPerDay   = 560.0 / 330 // flown
	hoursAtStart  = 5230.0      // since new, on the first day in the suite
	hoursSinceOld = 560.0       // flown since the wash before the suite was in use
	dirtyITT      = 26.0        // °C that a very dirty compressor costs
	dirtyFuel     = 1.5         // per cent
	dirtyNg       = 0.25        // per cent
	dirtHours     = 420.0       // after which 63 % of the dirt is there
	washedOff     = 0.82        // share of the dirt that a wash takes off
	scatterITT    = 2.2         // °C, one standard deviation of a reading
)

// newSimulation makes the same engine every time.
func newSimulation() *simulation {
	return &simulation{noise: rand.New(rand.NewPCG(20260907, 4711))} //nolint:gosec // invented readings need no secrecy
}

func (s *simulation) secondsAtStart() int64 { return int64(hoursAtStart * 3600) }

// oldWash is when the compressor was washed before the suite was in use.
func oldWash() time.Time { return beginning.AddDate(0, 0, -330) }

// condition is where and how hard the engine runs.
type condition struct {
	altitude, oat, airspeed, propeller, torque float64 // m, °C, kt, rpm, N·m
}

// values are what the gauges show.
type values struct{ itt, ng, fuel float64 }

// clean is what a clean engine reads: three curves of referred power, brought to the day by theta and delta (the standard
// atmosphere of ISO 2533, with the ram rise of the airspeed).
func clean(c condition) values {
	mach := c.airspeed * 0.514444 / math.Sqrt(1.4*287.05287*(c.oat+273.15))
	theta := (c.oat + 273.15) / 288.15 * (1 + 0.2*mach*mach)
	delta := math.Pow(1-2.25577e-5*c.altitude, 5.25588) * math.Pow(1+0.2*mach*mach, 3.5)
	power := 2 * math.Pi * c.torque * c.propeller / 60000
	x := power / (delta * math.Sqrt(theta)) / 600
	return values{
		itt:  theta*(640+215*x+95*x*x) - 273.15,
		ng:   math.Sqrt(theta) * (71 + 27*x - 5*x*x),
		fuel: delta * math.Sqrt(theta) * (58 + 112*x + 16*x*x),
	}
}

// dirt is the share of the worst dirt after so many hours since a clean start.
func dirt(hours float64) float64 { return 1 - math.Exp(-hours/dirtHours) }

// dirtAt is the share of the worst dirt at an instant.
func dirtAt(t time.Time) float64 {
	hours := func(since time.Time) float64 { return t.Sub(since).Hours() / 24 * hoursPerDay }
	left := func(before, since float64) float64 { // what a wash leaves of the dirt before, and what comes after it
		old := before * (1 - washedOff)
		return old + (1-old)*dirt(since)
	}
	first := dirt(oldWash().Sub(historyFrom).Hours() / 24 * hoursPerDay)
	switch {
	case t.Before(oldWash()):
		return dirt(hours(historyFrom))
	case t.Before(washDay):
		return left(first, hours(oldWash()))
	default:
		before := left(first, washDay.Sub(oldWash()).Hours()/24*hoursPerDay)
		return left(before, hours(washDay))
	}
}

// cruise is the condition of a day: a season in the temperature, and a little of everything.
func (s *simulation) cruise(t time.Time) condition {
	season := 9 * math.Cos(2*math.Pi*(float64(t.YearDay())-200)/365)
	altitude := 2400 + 300*float64(s.noise.IntN(6))
	return condition{
		altitude: altitude, oat: 12 + season - 0.0065*altitude + 2*s.noise.NormFloat64(), airspeed: 165 + 15*s.noise.Float64(),
		propeller: 1700, torque: 2050 + 300*s.noise.Float64(),
	}
}

func (s *simulation) read(t time.Time, c condition) values {
	v, d := clean(c), dirtAt(t)
	return values{
		itt:  v.itt + dirtyITT*d + scatterITT*s.noise.NormFloat64(),
		ng:   v.ng*(1+dirtyNg*d/100) + 0.12*s.noise.NormFloat64(),
		fuel: v.fuel * (1 + dirtyFuel*d/100) * (1 + 0.004*s.noise.NormFloat64()),
	}
}

const csvHeader = "engine_serial,time_utc,operating_hours_h,phase,pressure_altitude_m,oat_c,airspeed_kt,propeller_speed_rpm,torque_nm," +
	"ng_pct,itt_c,fuel_flow_kg_h\n"

// history is eighteen months of readings, with the mistakes that such tables have.
func (s *simulation) history() string {
	var b strings.Builder
	b.WriteString(csvHeader)
	n := 0
	for t := historyFrom; t.Before(beginning); t = t.AddDate(0, 0, 1) {
		if s.noise.IntN(7) == 0 {
			continue // a day without a reading
		}
		n++
		c := s.cruise(t)
		v := s.read(t, c)
		switch n {
		case 60: // somebody wrote Fahrenheit
			c.oat = c.oat*9/5 + 32
		case 140: // the gauge was read from the wrong scale
			v.itt += 150
		}
		s.row(&b, t, c, v)
	}
	b.WriteString(engineSerial + ",2026-08-30T10:00:00Z,5216.2,cruise,3000,n/a,170,1700,2200,93.1,655,158\n")
	return b.String()
}

// after is six weeks of readings after the wash.
func (s *simulation) after() string {
	var b strings.Builder
	b.WriteString(csvHeader)
	for t := washDay.AddDate(0, 0, 1); t.Before(weeksAfter); t = t.AddDate(0, 0, 1) {
		c := s.cruise(t)
		s.row(&b, t, c, s.read(t, c))
	}
	return b.String()
}

func (s *simulation) row(b *strings.Builder, t time.Time, c condition, v values) {
	hours := hoursAtStart + t.Sub(beginning).Hours()/24*hoursPerDay
	at := t.Add(time.Duration(s.noise.IntN(8*60)) * time.Minute)
	_, _ = fmt.Fprintf(b, "%s,%s,%.1f,cruise,%.0f,%.1f,%.0f,%.0f,%.0f,%.2f,%.1f,%.1f\n", engineSerial, at.Format(time.RFC3339), hours,
		c.altitude, c.oat, c.airspeed, c.propeller, c.torque, v.ng, v.itt, v.fuel)
}

// model is the invented engine model as an operator would enter it.
func (s *simulation) model() *performancev1.EngineModel {
	return &performancev1.EngineModel{
		DisplayName: "Demonstration turboprop", Document: demoDocument("Invented engine data"), DemonstrationOnly: true,
		Limits: []*performancev1.Limit{
			{Parameter: performancev1.Parameter_PARAMETER_ITT, MaxValue: 765, Condition: "continuous"},
			{Parameter: performancev1.Parameter_PARAMETER_NG, MaxValue: 101.5, Condition: "continuous"},
		},
		Baseline: &performancev1.Baseline{Points: baselineTable()}, Noise: &performancev1.Noise{IttC: scatterITT},
		Wash: washData(), Advice: &performancev1.AdviceRules{
			ProgrammeHours: 600, ProgrammeDays: 365, RinseDays: 14, FuelPricePerKg: 1.05, WashCost: 900, CostCurrencyCode: "EUR",
		},
		Heater:        &performancev1.HeaterData{RatedPowerW: 40, RatedVoltageV: 28, TolerancePct: 10, MinInsulationMohm: 2},
		ReferenceOatC: 15, ReferenceTorqueNm: 2200, ReferencePressureAltitudeM: 3000, ReferencePropellerSpeedRpm: 1700,
	}
}

func baselineTable() []*performancev1.BaselinePoint {
	var points []*performancev1.BaselinePoint
	for altitude := 0.0; altitude <= 6000; altitude += 1500 {
		for _, warmer := range []float64{-25, -10, 0, 10, 25} {
			for _, airspeed := range []float64{120, 165, 210} {
				for _, torque := range []float64{1400, 1800, 2200, 2600} {
					c := condition{altitude, 15 - 0.0065*altitude + warmer, airspeed, 1700, torque}
					v := clean(c)
					points = append(points, &performancev1.BaselinePoint{
						PressureAltitudeM: altitude, OatC: c.oat, AirspeedKt: airspeed, PropellerSpeedRpm: c.propeller, TorqueNm: torque,
						IttC: v.itt, NgPct: v.ng, FuelFlowKgH: v.fuel,
					})
				}
			}
		}
	}
	return points
}

func washData() *performancev1.WashData {
	duty := func(id string) *performancev1.StarterProfile {
		return &performancev1.StarterProfile{
			Id: id, PowerSource: id, Document: demoDocument("Invented starter limits"),
			Runs: []*performancev1.DutyRun{{OnSeconds: 25, RestSeconds: 60}, {OnSeconds: 25, RestSeconds: 120}, {OnSeconds: 25, RestSeconds: 1800}},
		}
	}
	return &performancev1.WashData{
		CleanerItem: cleanerItem, WaterItem: waterItem, AntifreezeItem: "items/antifreeze", BlendItem: blendItem,
		WaterParts: 4, CleanerParts: 1, BatchVolume: litres("9"), RinseVolume: litres("4.5"), RinseRuns: 2, MeasuringStep: litres("0.1"),
		WaterGrade: "waterGrades/iso3696-3", RingFlowCoefficient: 0.75, RingFlowTestDate: civil(historyFrom), ContainerPressureKpa: 400,
		ValveOpenDelaySeconds: 3, ValveCloseMarginSeconds: 2, SoakMinutes: 10, DryingLimitMinutes: 60, DryingRunSeconds: 120,
		CoolingMinutes: 40, StarterProfiles: []*performancev1.StarterProfile{duty("battery"), duty("ground-unit")},
		AntifreezeBelowC: 2, AntifreezeMarginC: 6, AntifreezeCeilingC: 10, WashFloorC: -25,
		AntifreezeTable: &performancev1.AntifreezeTable{
			Document: demoDocument("Invented freezing points"),
			Rows: []*performancev1.AntifreezeRow{
				{VolumePercent: 20, FreezingPointC: -12}, {VolumePercent: 30, FreezingPointC: -21}, {VolumePercent: 40, FreezingPointC: -31},
			},
		},
	}
}
