package plan_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/motoring"
	"coldsection.example/services/workorders/internal/plan"
)

// drawn are wash data as somebody may enter them: coarse vessels, long soaks, lists with their longest rest anywhere, rows in any order.
func drawn(t *rapid.T) (d plan.Data, rinseOnly bool, temperature float64) {
	d = data()
	d.BatchML, d.RinseML = rapid.Float64Range(1, 6000).Draw(t, "batch"), rapid.Float64Range(1, 3000).Draw(t, "rinse")
	d.WaterParts, d.CleanerParts = rapid.IntRange(0, 20).Draw(t, "water parts"), rapid.IntRange(1, 3).Draw(t, "cleaner parts")
	d.StepML = rapid.SampledFrom([]float64{0, 0.5, 1, 5, 10, 50, 250, 1000}).Draw(t, "step")
	d.RinseRuns, d.SoakSeconds = rapid.IntRange(0, 3).Draw(t, "rinses"), rapid.SampledFrom([]int{0, 60, 600, 1800, 4000}).Draw(t, "soak")
	d.OpenDelay, d.CloseMargin, d.ValveWindow = rapid.IntRange(0, 12).Draw(t, "delay"), rapid.IntRange(0, 8).Draw(t, "margin"), rapid.SampledFrom([]int{0, 5, 25, 90}).Draw(t, "window")
	d.Antifreeze = rapid.Permutation(methanol).Draw(t, "rows")
	d.DryingSeconds, d.DryingLimit = rapid.IntRange(0, 300).Draw(t, "drying"), rapid.SampledFrom([]int{0, 60, 3600}).Draw(t, "drying limit")
	if rapid.Bool().Draw(t, "printed densities") {
		d.Densities = plan.Densities{Antifreeze: 0.7958, Water: 0.99904}
		for i, row := range d.Antifreeze {
			d.Antifreeze[i].MassPercent, d.Antifreeze[i].SpecificGravity = row.VolumePercent*0.82, 1-row.VolumePercent*0.00127
		}
	}
	runs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) plan.Duty {
		return plan.Duty{On: rapid.SampledFrom([]int{10, 20, 30, 40}).Draw(t, "on"), Rest: rapid.SampledFrom([]int{0, 60, 120, 300, 1800}).Draw(t, "rest")}
	}), 1, 4).Draw(t, "duty")
	d.Profiles = []plan.Profile{{ID: "p", PowerSource: "battery", Runs: runs}}
	return d, rapid.Bool().Draw(t, "rinse only"), rapid.Float64Range(-40, 30).Draw(t, "temperature")
}

// What a plan that refuses nothing asks for can be done: its amounts are there and add up, the starter's list and the drying run's limit are
// kept by the runs as the recording of runs judges them, all of the liquid goes through, and antifreeze is never weaker than the printed row.
func TestWhatIsPlannedCanBeDone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, rinseOnly, temperature := drawn(t)
		p := plan.Compute(d, rinseOnly, &temperature, "battery")
		if len(p.Refusals) > 0 {
			return
		}
		if !rinseOnly && (p.CleanerML <= 0 || p.WaterML <= 0 && d.WaterParts > 0 || p.RinseWaterML < 0) {
			t.Fatalf("cleaner %v, water %v, rinse %v of %v mL", p.CleanerML, p.WaterML, p.RinseWaterML, d.BatchML)
		}
		poured(t, p, d, rinseOnly)
		rested(t, p, d)
		protected(t, p, d, rinseOnly, temperature)
	})
}

func poured(t *rapid.T, p plan.Plan, d plan.Data, rinseOnly bool) {
	wash, rinse, valve := 0.0, 0.0, 0
	for _, e := range p.Timeline {
		switch e.Activity {
		case plan.WashRun:
			wash += e.VolumeML
		case plan.RinseRun:
			rinse += e.VolumeML
		case plan.Rest, plan.Soak, plan.DryingRun:
			continue
		}
		if open := e.ValveShut - e.ValveOpen; open <= 0 || d.ValveWindow > 0 && open > d.ValveWindow || e.ValveOpen-e.Start < d.OpenDelay || e.End-e.ValveShut < d.CloseMargin {
			t.Fatalf("the valve of %+v, window %d s", e, d.ValveWindow)
		}
		valve += e.ValveShut - e.ValveOpen
	}
	rinses := d.RinseRuns
	if rinseOnly {
		rinses = max(1, rinses)
	}
	if math.Abs(rinse-d.RinseML*float64(rinses)) > 0.5*float64(max(1, rinses)) || !rinseOnly && math.Abs(wash-p.SolutionML) > 0.5 || float64(valve)*p.FlowLMin*1000/60 < wash+rinse-1 {
		t.Fatalf("poured %v of %v and %v of %d × %v mL in %d s", wash, p.SolutionML, rinse, rinses, d.RinseML, valve)
	}
}

// rested holds the runs of a plan against the list as they would be once they were recorded, the start for drying with them.
func rested(t *rapid.T, p plan.Plan, d plan.Data) {
	var list []motoring.Duty
	for _, r := range d.Profiles[0].Runs {
		list = append(list, motoring.Duty{On: time.Duration(r.On) * time.Second, Rest: time.Duration(r.Rest) * time.Second})
	}
	zero := time.Date(2026, 3, 14, 8, 0, 0, 0, time.UTC)
	at := func(second int) time.Time { return zero.Add(time.Duration(second) * time.Second) }
	var runs []motoring.Run
	for _, e := range p.Timeline {
		if e.Activity == plan.Rest || e.Activity == plan.Soak {
			continue
		}
		run := motoring.Run{Start: at(e.Start), End: at(e.End)}
		if e.Activity == plan.DryingRun {
			if run.End.Equal(run.Start) {
				continue
			}
			run = motoring.StartOf(list, run)
			if wetted := runs[len(runs)-1].End; motoring.Dry(wetted, time.Duration(d.DryingLimit)*time.Second, run) != "" {
				t.Fatalf("drying %s after %s", run.Start, wetted)
			}
			run.End = run.Start.Add(time.Second) // nobody plans how long a start takes
		}
		if broken := motoring.Check(list, runs, run); broken != "" {
			t.Fatalf("the run of %d s: %s\n%v\n%+v", e.Start, broken, d.Profiles[0].Runs, p.Timeline)
		}
		runs = append(runs, run)
	}
}

// protected holds the antifreeze against the printed row, by the volumes measured in.
func protected(t *rapid.T, p plan.Plan, d plan.Data, rinseOnly bool, temperature float64) {
	if temperature > d.AntifreezeBelow {
		if p.AntifreezeML+p.RinseAntifreezeML != 0 {
			t.Fatalf("antifreeze at %v °C", temperature)
		}
		return
	}
	i := slices.IndexFunc(methanol, func(r plan.Row) bool { return r.FreezingC <= temperature-d.AntifreezeMargin })
	if p.Row == nil || p.Row.VolumePercent != methanol[i].VolumePercent {
		t.Fatalf("at %v °C the row %+v, not %+v", temperature, p.Row, methanol[i])
	}
	share := p.Row.VolumePercent / 100
	if d.Densities.Water > 0 {
		first, second := plan.Contraction(p.Row.MassPercent/100, p.Row.SpecificGravity*d.Densities.Water, d.Densities.Antifreeze, d.Densities.Water)
		share = first / (first + second)
	}
	for what, mix := range map[string][2]float64{"solution": {p.AntifreezeML, p.WaterML}, "rinse": {p.RinseAntifreezeML, p.RinseWaterML}} {
		whole := mix[0] + mix[1]
		if whole > 0 && mix[0] < (whole-0.5)*share-1e-6 {
			t.Fatalf("%v mL of antifreeze in %v mL of the %s, and the row says %.4f of it", mix[0], whole, what, share)
		}
	}
	if !rinseOnly && d.WaterParts > 0 && p.AntifreezeML == 0 || d.RinseRuns > 0 && p.RinseAntifreezeML == 0 {
		t.Fatalf("water without antifreeze at %v °C: %+v", temperature, p)
	}
}

// A litre of rinse at −9 °C takes 25 % of antifreeze (case A12): a vessel with a step of 100 mL measures 300 mL of the 250, not 200, which would freeze
// sooner than the row says; one of half a litre can't measure less than 500, and one of a litre leaves no water. Nor is a cleaner rounded away, or to more
// than there is of solution; what is ready to use is the whole of it.
func TestACoarseVesselNeverWeakensAMix(t *testing.T) {
	for _, c := range []struct{ step, antifreeze, water float64 }{{1, 250, 750}, {100, 300, 700}, {500, 500, 500}, {1000, 0, 0}} {
		d := data()
		d.StepML = c.step
		p := plan.Compute(d, true, new(-9.0), "battery")
		if c.antifreeze == 0 {
			if len(p.Refusals) != 1 || !strings.Contains(p.Refusals[0], "step of 1000 mL can't measure 250.0 mL of antifreeze in 1000 mL of rinse water") {
				t.Errorf("step of %g mL: %v", c.step, p.Refusals)
			}
			continue
		}
		if p.RinseAntifreezeML != c.antifreeze || p.RinseWaterML != c.water || len(p.Refusals) != 0 {
			t.Errorf("step of %g mL: %v and %v, %v", c.step, p.RinseAntifreezeML, p.RinseWaterML, p.Refusals)
		}
	}
	for _, c := range []struct {
		water          int
		step, cleaner  float64
		refused, inAll string
	}{
		{6, 100, 300, "", "1893"}, {6, 1000, 0, "step of 1000 mL can't measure 270.4 mL of cleaner in 1893 mL", ""}, {1, 2000, 0, "can't measure 946.4 mL", ""}, {0, 100, 1893, "", "1893"},
	} {
		d := data()
		d.WaterParts, d.StepML = c.water, c.step
		p := plan.Compute(d, false, new(20.0), "battery")
		if refused := strings.Join(p.Refusals, " "); c.refused == "" && refused != "" || !strings.Contains(refused, c.refused) || p.CleanerML != c.cleaner && c.refused == "" {
			t.Errorf("%d to 1, step of %g mL: %v of cleaner, %q", c.water, c.step, p.CleanerML, refused)
		}
		if c.inAll != "" && fmt.Sprintf("%.0f", p.CleanerML+p.WaterML) != c.inAll {
			t.Errorf("%d to 1: %v and %v", c.water, p.CleanerML, p.WaterML)
		}
	}
}

// A soak longer than every rest begins the list anew, as it does for the runs that are recorded (the other half of case S05); one just as long as a
// rest that was due anyway does not.
func TestALongSoakBeginsTheListAgain(t *testing.T) {
	d := even(30, 60, 1800)
	d.BatchML, d.RinseRuns, d.RinseML = 2*30*50, 1, 2*30*50
	for soak, want := range map[int][][2]int{
		1799: {{0, 30}, {90, 120}, {1919, 1949}, {3749, 3779}}, 1800: {{0, 30}, {90, 120}, {1920, 1950}, {2010, 2040}},
	} {
		d.SoakSeconds = soak
		if got, _ := spans(plan.Compute(d, false, new(20.0), "battery")); !slices.Equal(got, want) {
			t.Errorf("after %d s: %v, want %v", soak, got, want)
		}
	}
}
