package plan

import "fmt"

// cold takes the next richer printed row whose freezing point lies the margin below the air temperature; it never
// interpolates and never extrapolates. Above the ceiling antifreeze is not used; where it would be needed there, there is no plan.
func (p *Plan) cold(d Data, temperature *float64) {
	if temperature == nil {
		p.AntifreezeText = "Undecided: no temperature was given yet."
		return
	}
	t := *temperature
	switch {
	case t < d.WashMin:
		p.refuse("At %.0f °C no wash is done: the data allow it from %.0f °C. Wait for warmer weather or use a heated hangar.", t, d.WashMin)
		return
	case t > d.AntifreezeBelow:
		p.AntifreezeText = fmt.Sprintf("No antifreeze: %.1f °C is above %.1f °C.", t, d.AntifreezeBelow)
		return
	case t > d.AntifreezeCeiling: // wanted and forbidden: the data are wrong, and water alone could freeze in the engine
		p.AntifreezeRefused = true
		p.refuse("At %.1f °C the data want antifreeze, from %.1f °C down, and forbid it above %.1f °C. Correct the engine model's wash data, or wait until it is above %.1f °C.",
			t, d.AntifreezeBelow, d.AntifreezeCeiling, d.AntifreezeBelow)
		return
	case len(d.Antifreeze) == 0:
		p.AntifreezeRefused = true
		p.refuse("At %.1f °C antifreeze is needed and no signed table is entered. Enter one, or wait until it is above %.1f °C.", t, d.AntifreezeBelow)
		return
	}
	if row := weakest(d.Antifreeze, t-d.AntifreezeMargin); row != nil {
		p.protect(d, *row, t)
		return
	}
	p.AntifreezeRefused = true
	p.refuse("No printed row of %s freezes at or below %.1f °C. Wait for warmer weather; the table is not extended.", d.AntifreezeSource, t-d.AntifreezeMargin)
}

// weakest is the printed row with the least antifreeze that freezes at or below a temperature, in whatever order the rows were entered; nil for none.
func weakest(rows []Row, bound float64) (found *Row) {
	for i, row := range rows {
		if row.FreezingC <= bound && (found == nil || row.VolumePercent < found.VolumePercent) {
			found = &rows[i]
		}
	}
	return found
}

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
// it doesn't, the amounts add up to the volume before mixing, and the mix is a little less and a little stronger. Antifreeze is rounded up
// to the vessel's step: less of it would freeze sooner than the printed row.
func (p *Plan) split(d Data, row Row, volume float64, what string) (antifreeze, water float64) {
	if volume == 0 {
		return 0, 0
	}
	first := row.VolumePercent / 100
	second := 1 - first
	formula, source := fmt.Sprintf("%.0f mL × %.0f %% of the row of %.1f °C, rounded up to %g mL", volume, row.VolumePercent, row.FreezingC, stepOf(d.StepML)), d.AntifreezeSource
	if q := d.Densities; q.Antifreeze > 0 && q.Water > 0 && row.MassPercent > 0 && row.SpecificGravity > 0 {
		share, mix := row.MassPercent/100, row.SpecificGravity*q.Water
		first, second = Contraction(share, mix, q.Antifreeze, q.Water)
		formula = fmt.Sprintf("%.0f mL × %.4f kg/L × %.1f %% by mass / %.4f kg/L, rounded up to %g mL", volume, mix, row.MassPercent, q.Antifreeze, stepOf(d.StepML))
		p.number("Vanishes when the "+what+" is mixed", roundTo(volume*(first+second-1), 1), "mL", fmt.Sprintf("%.1f %% of the volumes measured in; book it as a loss of mixing",
			(1-1/(first+second))*100), source)
	}
	whole := roundTo(volume*(first+second), 1)
	antifreeze = roundUp(volume*first, d.StepML)
	if water = whole - antifreeze; second > 0 && water <= 0 {
		p.refuse("A vessel with a step of %g mL can't measure %.1f mL of antifreeze in %.0f mL of %s. Enter the step of a finer one.", d.StepML, volume*first, whole, what)
	}
	p.number("Antifreeze in the "+what, antifreeze, "mL", formula, source)
	p.number("Water in the "+what+", beside antifreeze", water, "mL", fmt.Sprintf("%.0f mL × %.4f", volume, second), source)
	return antifreeze, water
}

func fahrenheit(c float64) float64 { return c*9/5 + 32 }
