package plan

import (
	"fmt"
	"math"
)

// mix rounds the cleaner to the vessel's step and gives the rest to water, so that the parts add up to the batch. "6:1" is
// six parts of water to one of cleaner (common practice, no source); half a US gallon at 6:1 is 270.39 mL of cleaner.
func (p *Plan) mix(d Data, rinseOnly bool) {
	if rinseOnly {
		return
	}
	if d.CleanerParts <= 0 || d.WaterParts < 0 || d.BatchML <= 0 {
		p.refuse("The wash data have no batch or no mix ratio. Enter them with their document.")
		return
	}
	exact := d.BatchML * float64(d.CleanerParts) / float64(d.WaterParts+d.CleanerParts)
	p.SolutionML = roundTo(d.BatchML, 1)
	p.CleanerML = roundTo(exact, d.StepML)
	if d.WaterParts == 0 { // ready to use: nothing is left to give to water
		p.CleanerML = p.SolutionML
	}
	if p.CleanerML <= 0 || d.WaterParts > 0 && p.CleanerML >= p.SolutionML {
		p.refuse("A vessel with a step of %g mL can't measure %.1f mL of cleaner in %.0f mL of solution. Enter the step of a finer one.", d.StepML, exact, p.SolutionML)
		return
	}
	p.WaterML = p.SolutionML - p.CleanerML
	p.number("Cleaner", p.CleanerML, "mL", fmt.Sprintf("%.0f mL × %d / (%d + %d) = %.2f mL, rounded to %g mL",
		d.BatchML, d.CleanerParts, d.WaterParts, d.CleanerParts, exact, stepOf(d.StepML)), d.Document)
	p.number("Water", p.WaterML, "mL", fmt.Sprintf("%.0f mL − %.0f mL", p.SolutionML, p.CleanerML), d.Document)
}

// stepOf is the step that amounts are rounded to: 1 mL where none is entered.
func stepOf(step float64) float64 {
	if step > 0 {
		return step
	}
	return 1
}

func roundTo(v, step float64) float64 { return math.Round(v/stepOf(step)) * stepOf(step) }

// roundUp is the next whole step at or above an amount; what arithmetic on floats adds to a whole number of steps is none.
func roundUp(v, step float64) float64 { return math.Ceil(v/stepOf(step)-1e-9) * stepOf(step) }
