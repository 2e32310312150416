package plan

import (
	"fmt"
	"math"
)

// protect takes a printed row: its share of the water of the solution and of the rinses is antifreeze. Water of a rinse without
// it would freeze in the engine as well. Each amount is measured by itself: alcohol and water shrink when they are mixed (3.4 % at
// 30 mol % methanol; Smith, Van Ness and Abbott, Introduction to Chemical Engineering Thermodynamics), so that a vessel filled up
// to the mark would hold more water than planned.
func (p *Plan) protect(d Data, row Row, t float64) {
	p.Row = &row
	p.AntifreezeML = roundTo(p.WaterML*row.VolumePercent/100, d.StepML)
	p.RinseAntifreezeML = roundTo(p.RinseWaterML*row.VolumePercent/100, d.StepML)
	share := fmt.Sprintf("%.0f mL × %.0f %% of the row of %.1f °C", p.WaterML, row.VolumePercent, row.FreezingC)
	rinse := fmt.Sprintf("%.0f mL × %.0f %%", p.RinseWaterML, row.VolumePercent)
	p.WaterML -= p.AntifreezeML
	p.RinseWaterML -= p.RinseAntifreezeML
	if p.AntifreezeML > 0 {
		p.number("Antifreeze in the solution", p.AntifreezeML, "mL", share, d.AntifreezeSource)
		p.number("Water in the solution, less antifreeze", p.WaterML, "mL", "the rest of the water", d.Document)
	}
	if p.RinseAntifreezeML > 0 {
		p.number("Antifreeze in the rinse water", p.RinseAntifreezeML, "mL", rinse, d.AntifreezeSource)
	}
	p.AntifreezeText = fmt.Sprintf("%.0f %% by volume of the water, of the rinses too: the printed row that freezes at %.1f °C (%.1f °F), the first at or below %.1f − %.1f °C (%s). "+
		"Measure each amount by itself; don't fill up to the mark, mixing shrinks the volume.",
		row.VolumePercent, row.FreezingC, fahrenheit(row.FreezingC), t, d.AntifreezeMargin, d.AntifreezeSource)
}

func fahrenheit(c float64) float64 { return c*9/5 + 32 }

// dry lays the drying run after the starter's rest, which its start needs, and inside the limit since the last wetting.
func (t *laying) dry() {
	if t.runs == 0 {
		return
	}
	wet := t.lastEnd
	t.wait()
	if gap := t.now - wet; t.d.DryingLimit > 0 && gap > t.d.DryingLimit {
		t.p.refuse("The starter rests %d s after the last run, and the drying run is due within %d s of it. Use another power source, or fewer runs with a stronger flow.",
			gap, t.d.DryingLimit)
		return
	}
	note := "start and run the engine as approved data say"
	if t.d.DryingLimit > 0 {
		note += fmt.Sprintf(", not later than %d s after the last wetting", t.d.DryingLimit)
	}
	if t.d.DryingSeconds == 0 {
		note += "; no length is entered"
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: DryingRun, Start: t.now, End: t.now + t.d.DryingSeconds, Note: note})
	t.now += t.d.DryingSeconds
}

// count explains the numbers of the timeline.
func (p *Plan) count(d Data) {
	on := p.Profile.Runs[0].On
	w := window(d, on)
	formula := fmt.Sprintf("%d s of run − %d s of delay − %d s of margin", on, d.OpenDelay, d.CloseMargin)
	if d.ValveWindow > 0 {
		formula = fmt.Sprintf("min(%s, %d s)", formula, d.ValveWindow)
	}
	p.number("Valve open in a full run", float64(w), "s", formula, d.Document)
	perRun := p.FlowLMin * 1000 / 60 * float64(w)
	p.number("Through the ring in a full run", math.Round(perRun), "mL", fmt.Sprintf("%.2f L/min × %d s", p.FlowLMin, w), "Q = K·√Δp")
	if p.WashRuns > 0 {
		p.number("Wash runs", float64(p.WashRuns), "1", fmt.Sprintf("%.0f mL / %.0f mL, rounded up", p.CleanerML+p.WaterML+p.AntifreezeML, perRun), d.Document)
	}
	p.number("Rinse runs", float64(p.RinseRuns), "1", fmt.Sprintf("%.0f mL each time / %.0f mL, rounded up", d.RinseML, perRun), d.Document)
	p.number("Starter use", float64(p.StarterSeconds), "s", "sum of all runs", "starter profile "+p.Profile.ID)
	p.number("Whole time", float64(p.TotalSeconds), "s", "from the first rotation to the end of the drying run", d.Document)
}
