package plan_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/workorders/internal/plan"
)

// even are data whose runs, three to a group, last just as long as the starter allows: 3 L/min, no delay, no margin.
func even(on, off, cool int) plan.Data {
	d := data()
	d.K, d.PressureKPa, d.OpenDelay, d.CloseMargin, d.ValveWindow, d.RinseRuns, d.SoakSeconds = 0.3, 100, 0, 0, 0, 0, 0
	runs := slices.Repeat([]plan.Duty{{On: on, Rest: off}}, 3)
	runs[2].Rest = cool
	d.Profiles = []plan.Profile{{ID: "p", PowerSource: "battery", Runs: runs}}
	return d
}

// spans are the runs of a plan, from and to, and the earliest next start, which is the drying run's.
func spans(p plan.Plan) (runs [][2]int, next int) {
	for _, e := range p.Timeline {
		switch e.Activity {
		case plan.WashRun, plan.RinseRun:
			runs = append(runs, [2]int{e.Start, e.End})
		case plan.DryingRun:
			next = e.Start
		case plan.Rest, plan.Soak:
		}
	}
	return runs, next
}

// Cases S01 to S04, duty lists of public manuals: runs as early as the list allows, and the next start after the last.
func TestStarterCases(t *testing.T) {
	for id, c := range map[string]struct {
		d    plan.Data
		runs int
		want [][2]int
		next int
	}{
		"S01 public training article, 40 s":                 {even(40, 60, 1800), 3, [][2]int{{0, 40}, {100, 140}, {200, 240}}, 2040},
		"S02 public flight-manual page, battery":            {even(30, 60, 1800), 5, [][2]int{{0, 30}, {90, 120}, {180, 210}, {2010, 2040}, {2100, 2130}}, 2190},
		"S03 the same page, external power":                 {even(20, 120, 3600), 4, [][2]int{{0, 20}, {140, 160}, {280, 300}, {3900, 3920}}, 4040},
		"S04 the same article, larger model, 5 min between": {even(30, 300, 1800), 4, [][2]int{{0, 30}, {330, 360}, {660, 690}, {2490, 2520}}, 2820},
	} {
		c.d.BatchML = float64(c.runs * c.d.Profiles[0].Runs[0].On * 50)
		got, next := spans(plan.Compute(c.d, false, new(20.0), "battery"))
		if !slices.Equal(got, c.want) || next != c.next {
			t.Errorf("%s: %v then %d, want %v then %d", id, got, next, c.want, c.next)
		}
	}
}

// Case S05 (soak of 20 min: common practice, no source): soak and rest run together, the longer one is the gap, and a soak that is
// shorter than the group's rest does not begin the group again.
func TestSoakOverlapsTheRest(t *testing.T) {
	d := even(30, 60, 1800)
	d.BatchML, d.SoakSeconds, d.RinseRuns, d.RinseML = 2*30*50, 1200, 1, 2*30*50
	want := [][2]int{{0, 30}, {90, 120}, {1320, 1350}, {3150, 3180}}
	if got, _ := spans(plan.Compute(d, false, new(20.0), "battery")); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// Cases F07, F08 and the greatest flow time of S06 (valve timing: common practice, no source): half a US gallon at 3 L/min takes
// two runs of 25 s of flow, the last one of 12.85 s, or three of the 15 s that a run of 20 s leaves after 5 s of delay.
func TestRunsForHalfAGallon(t *testing.T) {
	for id, c := range map[string]struct{ on, window, runs, perRun int }{"F07": {30, 25, 2, 1250}, "F08, S06": {20, 25, 3, 750}} {
		d := even(c.on, 60, 1800)
		d.OpenDelay, d.ValveWindow = 5, c.window
		p := plan.Compute(d, false, new(20.0), "battery")
		if p.WashRuns != c.runs || math.Abs(p.Timeline[0].VolumeML-float64(c.perRun)) > 0.5 {
			t.Errorf("%s: %d runs of %.1f mL, want %d of %d mL", id, p.WashRuns, p.Timeline[0].VolumeML, c.runs, c.perRun)
		}
		last := p.Timeline[len(p.Timeline)-3] // before the rest and the drying run
		if id == "F07" && (last.Activity != plan.WashRun || math.Abs(last.VolumeML/50-12.85) > 0.02) {
			t.Errorf("the last run: %+v", last)
		}
	}
}

// Cases A11 to A15: printed rows of Lange's Handbook, 15th edition, table 5.13; the ceiling of US Army TM 55-2840-241-23,
// paragraph 7-3 (no methanol above 4 °C); nothing without a table. Case A17: ethanol takes 40 %, not what lies between the rows.
func TestAntifreezeCases(t *testing.T) {
	ethanol := []plan.Row{{VolumePercent: 30, FreezingC: -15}, {VolumePercent: 40, FreezingC: -23}}
	for id, c := range map[string]struct {
		rows        []plan.Row
		oat, margin float64
		percent     float64
		refused     bool
	}{
		"A11": {methanol, -9, 0, 20, false}, "A12": {methanol, -9, 5, 25, false}, "A13": {methanol, -26, 5, 0, true}, "A14": {methanol, 6, 0, 0, false},
		"A15 no table of isopropanol": {nil, -9, 0, 0, true}, "A17": {ethanol, -20, 0, 40, false},
	} {
		d := data()
		d.Antifreeze, d.AntifreezeMargin, d.WashMin = c.rows, c.margin, -60
		p := plan.Compute(d, false, &c.oat, "battery")
		percent := 0.0
		if p.Row != nil {
			percent = p.Row.VolumePercent
		}
		if percent != c.percent || p.AntifreezeRefused != c.refused || c.refused != (len(p.Refusals) > 0) {
			t.Errorf("%s: %v %%, refusals %v", id, percent, p.Refusals)
		}
	}
}

// Case M03, and case F03 of a public note on nozzles: K of 1 L/min at 1 bar gives 10 L/min at 10 MPa and 11.83 at 14 MPa.
func TestMixAndFlowCases(t *testing.T) {
	d := data()
	d.BatchML, d.WaterParts = 2000, 4
	if p := plan.Compute(d, false, new(20.0), "battery"); p.CleanerML != 400 || p.WaterML != 1600 {
		t.Errorf("M03: %v and %v", p.CleanerML, p.WaterML)
	}
	for mpa, want := range map[float64]float64{10: 10, 14: 11.83} {
		d.K, d.PressureKPa = 1/math.Sqrt(100), mpa*1000
		if got := plan.Compute(d, false, new(20.0), "battery").FlowLMin; math.Abs(got-want) > 0.005 {
			t.Errorf("F03: %v at %v MPa, want %v", got, mpa, want)
		}
	}
}

// In the cold the rinses are protected like the solution, and their water is what the timeline pours, whatever the number of runs.
func TestRinsesAreProtectedAndCounted(t *testing.T) {
	d := data()
	d.RinseML, d.RinseRuns, d.StepML = 2000, 2, 10
	for _, rinseOnly := range []bool{false, true} {
		p := plan.Compute(d, rinseOnly, new(-9.0), "battery")
		poured := 0.0
		for _, e := range p.Timeline {
			if e.Activity == plan.RinseRun {
				poured += e.VolumeML
			}
		}
		if p.RinseAntifreezeML != 1000 || p.RinseWaterML != 3000 || math.Abs(poured-4000) > 1 || p.RinseRuns <= 2 {
			t.Errorf("25 %% of 4 L: %v and %v mL, poured %v in %d runs; %v", p.RinseAntifreezeML, p.RinseWaterML, poured, p.RinseRuns, p.Refusals)
		}
		if rinseOnly && p.CleanerML+p.WaterML+p.AntifreezeML != 0 {
			t.Errorf("a salt rinse has no solution: %+v", p)
		}
	}
}

// The drying run waits for the starter and keeps its limit; where both can't be, the plan refuses and says what would help.
func TestTheDryingRunHasItsLimit(t *testing.T) {
	d := even(20, 120, 3600)
	d.BatchML, d.DryingSeconds, d.DryingLimit = 3*20*50, 120, 3600
	p := plan.Compute(d, false, new(20.0), "battery")
	last := p.Timeline[len(p.Timeline)-1]
	if last.Activity != plan.DryingRun || last.Start != 3900 || last.End != 4020 || p.TotalSeconds != 4020 || len(p.Refusals) != 0 {
		t.Errorf("%+v %v", last, p.Refusals)
	}
	d.DryingLimit = 3599
	if p = plan.Compute(d, false, new(20.0), "battery"); len(p.Refusals) != 1 || !strings.Contains(p.Refusals[0], "another power source") {
		t.Errorf("refusals: %v", p.Refusals)
	}
}

// Every number says how it comes about, and lengths, volumes and pressures stand in both systems of units.
func TestNumbersAreExplained(t *testing.T) {
	p := plan.Compute(data(), false, new(-9.0), "battery")
	if len(p.Numbers) < 12 {
		t.Fatalf("%d numbers", len(p.Numbers))
	}
	for _, n := range p.Numbers {
		if n.Formula == "" || n.Source == "" || (n.Unit == "mL" || n.Unit == "kPa" || n.Unit == "L/min") && n.Alternate == "" {
			t.Errorf("%+v", n)
		}
	}
}
