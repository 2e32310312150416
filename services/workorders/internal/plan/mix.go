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
	p.CleanerML = roundTo(exact, d.StepML)
	p.SolutionML = roundTo(d.BatchML, 1)
	p.WaterML = p.SolutionML - p.CleanerML
	p.number("Cleaner", p.CleanerML, "mL", fmt.Sprintf("%.0f mL × %d / (%d + %d) = %.2f mL, rounded to %.0f mL",
		d.BatchML, d.CleanerParts, d.WaterParts, d.CleanerParts, exact, math.Max(1, d.StepML)), d.Document)
	p.number("Water", p.WaterML, "mL", fmt.Sprintf("%.0f mL − %.0f mL", p.SolutionML, p.CleanerML), d.Document)
}

func roundTo(v, step float64) float64 {
	if step <= 0 {
		step = 1
	}
	return math.Round(v/step) * step
}
