package plan_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"coldsection.example/services/workorders/internal/plan"
)

// methanol are printed rows of Lange's Handbook, 15th ed., section 5.4, table 5.13 (volume per cent, °C).
var methanol = []plan.Row{{5, -2.2, 0, 0}, {10, -5.0, 0, 0}, {15, -8.3, 0, 0}, {20, -11.7, 0, 0}, {25, -15.6, 0, 0}, {30, -20.0, 0, 0}, {35, -25.0, 0, 0}, {40, -30.0, 0, 0}}

func data() plan.Data {
	return plan.Data{
		Document: "test data", WaterParts: 6, CleanerParts: 1, BatchML: 1892.705892, RinseML: 1000, RinseRuns: 1, StepML: 1, K: 0.185336, PressureKPa: 262,
		OpenDelay: 5, CloseMargin: 0, ValveWindow: 25, SoakSeconds: 600, AntifreezeBelow: 4, AntifreezeMargin: 5, AntifreezeCeiling: 4.4, WashMin: -25,
		Antifreeze: methanol, AntifreezeSource: "Lange's Handbook, table 5.13",
		Profiles: []plan.Profile{{ID: "b", PowerSource: "battery", Runs: []plan.Duty{{30, 60}, {30, 60}, {30, 1800}}}},
	}
}

// Half a US gallon at six parts of water to one of cleaner: 270.39 mL of cleaner, 1,622.32 mL of water (case M01; the batch
// and the ratio are common practice, no source). The rounded parts add up to the rounded batch: 270 + 1,623 = 1,893.
func TestMixOfHalfAGallon(t *testing.T) {
	p := plan.Compute(data(), false, new(20.0), "battery")
	if p.CleanerML != 270 || p.WaterML != 1623 || len(p.Refusals) != 0 {
		t.Errorf("cleaner %v, water %v, refusals %v", p.CleanerML, p.WaterML, p.Refusals)
	}
}

// The next richer printed row at or below the air temperature less the margin; no interpolation, no extrapolation.
func TestAntifreezeTakesPrintedRowsOnly(t *testing.T) {
	for _, c := range []struct{ oat, percent float64 }{{0, 10}, {-0.1, 15}, {-6.7, 20}, {-20, 35}, {4, 5}} {
		d := data()
		p := plan.Compute(d, false, new(c.oat), "battery")
		if p.Row == nil || p.Row.VolumePercent != c.percent {
			t.Errorf("at %v °C: %+v %v", c.oat, p.Row, p.Refusals)
		}
	}
	if p := plan.Compute(data(), false, new(10.0), "battery"); p.Row != nil || p.AntifreezeML != 0 {
		t.Errorf("warm: %+v", p.Row)
	}
	for _, d := range []plan.Data{func() plan.Data { d := data(); d.Antifreeze = nil; return d }(), func() plan.Data { d := data(); d.Antifreeze = methanol[:2]; return d }()} {
		if p := plan.Compute(d, false, new(-10.0), "battery"); !p.AntifreezeRefused || len(p.Refusals) == 0 {
			t.Errorf("no row, no refusal: %+v", p)
		}
	}
	if p := plan.Compute(data(), false, nil, "battery"); !strings.Contains(p.AntifreezeText, "Undecided") {
		t.Errorf("unknown temperature: %q", p.AntifreezeText)
	}
}

// Where the data want antifreeze and forbid it at once, as when a ceiling was left out, there is no plan: water alone could freeze in the engine. The
// bounds themselves belong to what needs antifreeze and to what may have it.
func TestAntifreezeThatIsWantedAndForbidden(t *testing.T) {
	for _, c := range []struct {
		oat, below, ceiling float64
		refused, protected  bool
	}{
		{2, 4, 0, true, false}, {0, 4, 0, false, true}, {4, 4, 3.9, true, false}, {4, 4, 4, false, true}, {4.1, 4, 3.9, false, false}, {4.3, 4, 4.4, false, false}, {-3, 4, -5, true, false},
	} {
		d := data()
		d.AntifreezeBelow, d.AntifreezeCeiling = c.below, c.ceiling
		p := plan.Compute(d, false, &c.oat, "battery")
		if p.AntifreezeRefused != c.refused || (p.AntifreezeML > 0) != c.protected || c.refused != (len(p.Refusals) > 0) {
			t.Errorf("%g °C, wanted from %g °C down, forbidden above %g °C: %g mL, %q, %v", c.oat, c.below, c.ceiling, p.AntifreezeML, p.AntifreezeText, p.Refusals)
		}
		if c.refused && (len(p.Refusals) == 0 || !strings.Contains(p.Refusals[0], fmt.Sprintf("forbid it above %.1f °C", c.ceiling))) {
			t.Errorf("%g °C: %q, %v", c.oat, p.AntifreezeText, p.Refusals)
		}
		if !c.refused && !c.protected && p.AntifreezeText != fmt.Sprintf("No antifreeze: %.1f °C is above %.1f °C.", c.oat, c.below) {
			t.Errorf("%g °C: %q", c.oat, p.AntifreezeText)
		}
	}
}

// Q = K·√Δp: 150 gpm at 50 psi is 183.71 gpm at 75 psi (cases F01, F02); 30 instead of 38 psi delivers 88.9 % (F06).
func TestFlowFollowsTheRootOfPressure(t *testing.T) {
	k := 150 / math.Sqrt(50)
	for _, c := range []struct{ p, q float64 }{{50, 150}, {75, 183.71}} {
		d := data()
		d.K, d.PressureKPa = k, c.p
		if got := plan.Compute(d, false, new(20.0), "battery").FlowLMin; math.Abs(got-c.q) > 0.01 {
			t.Errorf("at %v: %v, want %v", c.p, got, c.q)
		}
	}
	if got := math.Sqrt(30.0 / 38); math.Abs(got-0.889) > 0.001 {
		t.Errorf("share %v", got)
	}
}

// Case S02: 30 s on, 60 off, 30, 60, 30, then 30 min: five runs at 0, 90, 180, 2010 and 2100 s.
func TestTimelineOfFiveRuns(t *testing.T) {
	d := data()
	d.K, d.PressureKPa, d.BatchML, d.RinseRuns, d.SoakSeconds, d.ValveWindow = 0.3, 100, 5*1250, 0, 0, 25
	p := plan.Compute(d, false, new(20.0), "battery")
	var starts []int
	for _, e := range p.Timeline {
		if e.Activity == plan.WashRun {
			starts = append(starts, e.Start)
		}
	}
	want := []int{0, 90, 180, 2010, 2100}
	if len(starts) != len(want) {
		t.Fatalf("starts %v, refusals %v", starts, p.Refusals)
	}
	for i := range want {
		if starts[i] != want[i] {
			t.Errorf("starts %v, want %v", starts, want)
		}
	}
}

// Case F07: 1.25 L per 25 s; the second of two runs is short.
func TestTheLastRunIsShort(t *testing.T) {
	d := data()
	d.K, d.PressureKPa, d.BatchML, d.RinseRuns = 0.3, 100, 1892.705892, 0
	p := plan.Compute(d, false, new(20.0), "battery")
	if p.WashRuns != 2 {
		t.Fatalf("%d runs", p.WashRuns)
	}
	poured := 0.0
	for _, e := range p.Timeline {
		poured += e.VolumeML
	}
	if math.Abs(poured-1893) > 1 {
		t.Errorf("poured %v mL", poured)
	}
}

// Case S06: a profile that leaves no time for the valve can't wash; the plan says what would.
func TestRefusalsSayWhatWouldHelp(t *testing.T) {
	d := data()
	d.Profiles[0].Runs = []plan.Duty{{5, 60}}
	for name, p := range map[string]plan.Plan{
		"no time": plan.Compute(d, false, new(20.0), "battery"), "no profile": plan.Compute(data(), false, new(20.0), "shore"),
		"too cold": plan.Compute(data(), false, new(-30.0), "battery"), "no data": plan.Compute(plan.Data{}, false, new(20.0), ""),
	} {
		if len(p.Refusals) == 0 || len(p.Timeline) != 0 && name != "no time" {
			t.Errorf("%s: %+v", name, p)
		}
	}
}
