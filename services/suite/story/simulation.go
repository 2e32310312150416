package story

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// simulation is the invented engine: what it reads clean, how it gets dirty and what a wash brings back. Every figure is
// made up for the demonstration and is no engine's.
type simulation struct {
	noise *rand.Rand
}

// How the invented engine lives.
const (
	hoursPerDay  = 560.0 / 330 // flown
	hoursAtStart = 5230.0      // since new, on the first day in the suite
	dirtyITT     = 14.0        // °C that a very dirty compressor costs
	dirtyFuel    = 1.1         // per cent
	dirtyNg      = 0.5         // per cent points
	dirtHours    = 250.0       // after which 63 % of the dirt is there
	leftByWash   = 0.2         // share of the dirt that a wash leaves
	scatterITT   = 2.5         // °C, one standard deviation of a reading
	scatterNg    = 0.15        // per cent points
	scatterFuel  = 0.008       // of the value
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

// clean is what a clean engine reads: three curves of referred power, brought to the day by theta and delta of the total
// conditions (standard atmosphere of ISO 2533; Mach number from calibrated airspeed by isentropic flow).
func clean(c condition) values {
	pressure := math.Pow(1-2.25577e-5*c.altitude, 5.25588)
	mach := c.airspeed * 0.514444 / 340.294 // at sea level
	impact := math.Pow(1+0.2*mach*mach, 3.5) - 1
	ram := math.Pow(impact/pressure+1, 2.0/7) // 1 + 0.2 M²
	theta := (c.oat + 273.15) / 288.15 * ram
	delta := pressure * math.Pow(ram, 3.5)
	x := 2 * math.Pi * c.torque * c.propeller / 60000 / (delta * math.Sqrt(theta)) / 600
	return values{
		itt:  theta*(640+215*x+95*x*x) - 273.15,
		ng:   math.Sqrt(theta) * (71 + 27*x - 5*x*x),
		fuel: delta * math.Sqrt(theta) * (58 + 112*x + 16*x*x),
	}
}

// dirtAt is the share of the worst dirt at an instant.
func dirtAt(t time.Time) float64 {
	grown := func(from float64, since time.Time) float64 {
		hours := t.Sub(since).Hours() / 24 * hoursPerDay
		return from + (1-from)*(1-math.Exp(-hours/dirtHours))
	}
	switch {
	case t.Before(oldWash()):
		return grown(0.7, historyFrom)
	case t.Before(washDay):
		return grown(0, oldWash())
	default:
		return grown(leftByWash*dirtAt(washDay.Add(-time.Second)), washDay)
	}
}

// cruise is the condition of a day: a season in the temperature, and a little of everything.
func (s *simulation) cruise(t time.Time) condition {
	season := 9 * math.Cos(2*math.Pi*(float64(t.YearDay())-200)/365)
	altitude := 2100 + 300*float64(s.noise.IntN(7))
	return condition{
		altitude: altitude, oat: 10 + season - 0.0065*altitude + 2*s.noise.NormFloat64(), airspeed: 135 + 25*s.noise.Float64(),
		propeller: 1700, torque: 1850 + 350*s.noise.Float64(),
	}
}

func (s *simulation) read(t time.Time, c condition) values {
	v, d := clean(c), dirtAt(t)
	return values{
		itt:  v.itt + dirtyITT*d + scatterITT*s.noise.NormFloat64(),
		ng:   v.ng + dirtyNg*d + scatterNg*s.noise.NormFloat64(),
		fuel: v.fuel * (1 + dirtyFuel*d/100) * (1 + scatterFuel*s.noise.NormFloat64()),
	}
}

const csvHeader = "engine_serial,time_utc,phase,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours\n"

// history is eighteen months of readings, with the mistakes that such tables have.
func (s *simulation) history() string {
	var b strings.Builder
	b.WriteString(csvHeader)
	n := 0
	for t := historyFrom; t.Before(beginning.AddDate(0, 0, -1)); t = t.AddDate(0, 0, 1) {
		if s.noise.IntN(7) == 0 {
			continue // a day without a reading
		}
		n++
		c := s.cruise(t)
		v := s.read(t, c)
		switch n {
		case 118, 455: // somebody wrote Fahrenheit
			c.oat = c.oat*9/5 + 32
		case 140: // a digit slipped
			v.itt += 200
		}
		line := s.row(t, c, v)
		b.WriteString(line)
		if n == 90 || n == 310 {
			b.WriteString(line) // sent twice
		}
	}
	b.WriteString(engineSerial + ",2026-09-05T10:00Z,cruise,9000,n/a,150,1500,1700,90.1,610,310,5226.1\n")
	return b.String()
}

// after is six weeks of readings after the wash.
func (s *simulation) after() string {
	var b strings.Builder
	b.WriteString(csvHeader)
	for t := washDay.AddDate(0, 0, 1); t.Before(weeksAfter.AddDate(0, 0, -1)); t = t.AddDate(0, 0, 1) {
		c := s.cruise(t)
		b.WriteString(s.row(t, c, s.read(t, c)))
	}
	return b.String()
}

// row is a reading in the units of the invented operator's flight log.
func (s *simulation) row(t time.Time, c condition, v values) string {
	const foot, footPound, pound = 0.3048, 1.3558179483314004, 0.45359237
	at := t.Add(time.Duration(s.noise.IntN(8*60)) * time.Minute)
	hours := hoursAtStart + at.Sub(beginning).Hours()/24*hoursPerDay
	return fmt.Sprintf("%s,%s,cruise,%.0f,%.1f,%.0f,%.0f,%.0f,%.1f,%.0f,%.0f,%.1f\n", engineSerial, at.Format("2006-01-02T15:04Z"),
		c.altitude/foot, c.oat, c.airspeed, c.torque/footPound, c.propeller, v.ng, v.itt, v.fuel/pound, hours)
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
		Heater:           &performancev1.HeaterData{RatedPowerW: 40, RatedVoltageV: 28, TolerancePct: 10, MinInsulationMohm: 2},
		ExceedanceCharts: []*performancev1.ExceedanceChart{startChart()},
		ReferenceOatC:    15, ReferenceTorqueNm: 2200, ReferencePressureAltitudeM: 3000, ReferencePropellerSpeedRpm: 1700,
	}
}

// startChart is what an operator would enter of the document's chart for hot starts.
func startChart() *performancev1.ExceedanceChart {
	zone := func(id string, severity int32, action string, seconds, itt float64) *performancev1.ExceedanceZone {
		return &performancev1.ExceedanceZone{Id: id, Severity: severity, Action: action, Corners: []*performancev1.ZoneCorner{
			{DurationSeconds: seconds, Value: itt}, {DurationSeconds: 600, Value: itt}, {DurationSeconds: 600, Value: 1200}, {DurationSeconds: seconds, Value: 1200},
		}}
	}
	return &performancev1.ExceedanceChart{
		Id: "itt-start", Parameter: performancev1.Parameter_PARAMETER_ITT, Condition: "start", ResetSeconds: 5, LongestGapSeconds: 10,
		Document: demoDocument("Invented chart of hot starts"), Zones: []*performancev1.ExceedanceZone{
			zone("A", 1, "Find the cause (demonstration only).", 20, 820), zone("B", 2, "Inspect the hot section (demonstration only).", 3, 870),
		},
	}
}

func baselineTable() []*performancev1.BaselinePoint {
	var points []*performancev1.BaselinePoint
	for altitude := 0.0; altitude <= 4500; altitude += 1500 {
		for _, oat := range []float64{-20, 0, 15, 35} {
			for _, airspeed := range []float64{0, 160} {
				for _, propeller := range []float64{1600, 1700} {
					for _, torque := range []float64{1300, 1700, 2100, 2500} {
						c := condition{altitude, oat, airspeed, propeller, torque}
						v := clean(c)
						points = append(points, &performancev1.BaselinePoint{
							PressureAltitudeM: altitude, OatC: oat, AirspeedKt: airspeed, PropellerSpeedRpm: propeller, TorqueNm: torque,
							IttC: v.itt, NgPct: v.ng, FuelFlowKgH: v.fuel,
						})
					}
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
			Runs: []*performancev1.DutyRun{{OnSeconds: 30, RestSeconds: 60}, {OnSeconds: 30, RestSeconds: 60}, {OnSeconds: 30, RestSeconds: 1800}},
		}
	}
	return &performancev1.WashData{
		CleanerItem: cleanerItem, WaterItem: waterItem, AntifreezeItem: "items/antifreeze", BlendItem: blendItem,
		WaterParts: 4, CleanerParts: 1, BatchVolume: litres("2"), RinseVolume: litres("2"), RinseRuns: 2, MeasuringStep: litres("0.01"),
		WaterGrade: "waterGrades/iso3696-3", RingFlowCoefficient: 0.1853, RingFlowTestDate: civil(historyFrom), ContainerPressureKpa: 262,
		ValveOpenDelaySeconds: 5, ValveCloseMarginSeconds: 2, ValveWindowSeconds: 20, SoakMinutes: 12, DryingLimitMinutes: 60,
		DryingRunSeconds: 120, CoolingMinutes: 45, StarterProfiles: []*performancev1.StarterProfile{duty("battery"), duty("ground-unit")},
		AntifreezeBelowC: 4, AntifreezeMarginC: 6, AntifreezeCeilingC: 4.4, WashFloorC: -20, AntifreezeTable: methanol(),
	}
}

// methanol is the printed table of freezing points of methanol and water: Lange's Handbook of Chemistry, 15th edition,
// table 5.13.
func methanol() *performancev1.AntifreezeTable {
	table := &performancev1.AntifreezeTable{
		Document: &commonv1.DocumentReference{Title: "Lange's Handbook of Chemistry", Revision: "15th edition", Section: "Table 5.13"},
	}
	for _, row := range [][2]float64{{5, -2.2}, {10, -5}, {15, -8.3}, {20, -11.7}, {25, -15.6}, {30, -20}, {35, -25}, {40, -30}} {
		table.Rows = append(table.Rows, &performancev1.AntifreezeRow{VolumePercent: row[0], FreezingPointC: row[1]})
	}
	return table
}
