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
	p.AntifreezeML, p.WaterML = p.split(d, row, p.WaterML, "solution")
	p.RinseAntifreezeML, p.RinseWaterML = p.split(d, row, p.RinseWaterML, "rinse water")
	p.AntifreezeText = fmt.Sprintf("%.0f %% by volume of the water, of the rinses too: the printed row that freezes at %.1f °C (%.1f °F), the first at or below %.1f − %.1f °C (%s). "+
		"Measure each amount by itself; don't fill up to the mark, mixing shrinks the volume.",
		row.VolumePercent, row.FreezingC, fahrenheit(row.FreezingC), t, d.AntifreezeMargin, d.AntifreezeSource)
}

// split divides a volume of water into antifreeze and water, each as measured before mixing. Where the table prints densities, the
// amounts make the volume after it shrank: 201 mL of methanol and 814 mL of water make a litre of 20 % by volume (case V03). Where
// it doesn't, the amounts add up to the volume before mixing, and the mix is a little less and a little stronger.
func (p *Plan) split(d Data, row Row, volume float64, what string) (antifreeze, water float64) {
	if volume == 0 {
		return 0, 0
	}
	first := row.VolumePercent / 100
	second := 1 - first
	formula, source := fmt.Sprintf("%.0f mL × %.0f %% of the row of %.1f °C", volume, row.VolumePercent, row.FreezingC), d.AntifreezeSource
	if q := d.Densities; q.Antifreeze > 0 && q.Water > 0 && row.MassPercent > 0 && row.SpecificGravity > 0 {
		share, mix := row.MassPercent/100, row.SpecificGravity*q.Water
		first, second = Contraction(share, mix, q.Antifreeze, q.Water)
		formula = fmt.Sprintf("%.0f mL × %.4f kg/L × %.1f %% by mass / %.4f kg/L", volume, mix, row.MassPercent, q.Antifreeze)
		p.number("Vanishes when the "+what+" is mixed", roundTo(volume*(first+second-1), 1), "mL", fmt.Sprintf("%.1f %% of the volumes measured in; book it as a loss of mixing",
			(1-1/(first+second))*100), source)
	}
	antifreeze = roundTo(volume*first, d.StepML)
	water = roundTo(volume*(first+second), 1) - antifreeze
	p.number("Antifreeze in the "+what, antifreeze, "mL", formula, source)
	p.number("Water in the "+what+", beside antifreeze", water, "mL", fmt.Sprintf("%.0f mL × %.4f", volume, second), source)
	return antifreeze, water
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
	if needed := d.OpenDelay + d.ValveWindow + d.CloseMargin; d.ValveWindow > 0 && needed > on {
		formula += fmt.Sprintf("; the full %d s need %d s of rotation, the profile allows %d s", d.ValveWindow, needed, on)
	}
	p.number("Valve open in a full run", float64(w), "s", formula, d.Document)
	perRun := p.FlowLMin * 1000 / 60 * float64(w)
	p.number("Through the ring in a full run", math.Round(perRun), "mL", fmt.Sprintf("%.2f L/min × %d s", p.FlowLMin, w), "Q = K·√Δp")
	if p.WashRuns > 0 {
		p.number("Wash runs", float64(p.WashRuns), "1", fmt.Sprintf("%.0f mL / %.0f mL, rounded up", p.SolutionML, perRun), d.Document)
	}
	p.number("Rinse runs", float64(p.RinseRuns), "1", fmt.Sprintf("%.0f mL each time / %.0f mL, rounded up", d.RinseML, perRun), d.Document)
	p.number("Starter use", float64(p.StarterSeconds), "s", "sum of all runs", "starter profile "+p.Profile.ID)
	p.number("Whole time", float64(p.TotalSeconds), "s", "from the first rotation to the end of the drying run", d.Document)
}
