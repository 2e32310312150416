package water

import (
	"coldsection.example/services/platform/fault"
)

// Step is a row of a stepped table: from a temperature in °C on, the most µS/cm of an uncompensated reading.
type Step struct{ Temperature, Limit float64 }

// Bounds of what readings of wash water can be, which Reading.Validate refuses beyond.
const (
	mostConductivity = 20_000.0 // µS/cm
	hottest          = 60.0     // °C
)

// Check refuses an operator's own grade that no reading could be judged by. Reasons: GRADE_LIMIT_MISSING, GRADE_LIMIT_INVALID,
// GRADE_TABLE_INVALID.
func (g Grade) Check() error {
	if err := g.checkConductivity(); err != nil {
		return err
	}
	if g.PHMin != 0 || g.PHMax != 0 {
		if !(g.PHMin >= 0 && g.PHMin < g.PHMax && g.PHMax <= 14) {
			return bad("a pH from %g to %g; give both, the lower first, within 0 to 14", g.PHMin, g.PHMax)
		}
	}
	if !(g.SilicaMax >= 0) || !(g.SolidsMax >= 0) {
		return bad("silica of %g and solids of %g mg/L; give what is more than nothing", g.SilicaMax, g.SolidsMax)
	}
	return nil
}

func bad(what string, args ...any) error {
	return fault.Invalid("water_grade.limits", "GRADE_LIMIT_INVALID", "Nothing can be judged by "+what+". Correct it.", args...)
}

func (g Grade) checkConductivity() error {
	switch {
	case g.Stepped && g.ConductivityMax != 0:
		return bad("two limits of the conductivity, %g µS/cm and a stepped table; leave one of them out", g.ConductivityMax)
	case g.Stepped:
		return checkSteps(g.Steps)
	case len(g.Steps) > 0:
		return fault.Invalid("water_grade.steps", "GRADE_TABLE_INVALID", "A table is given and the temperature is not treated by it. Choose STEPPED_TABLE, or leave the table out.")
	case g.ConductivityMax == 0:
		return fault.Invalid("water_grade.limits", "GRADE_LIMIT_MISSING", "A grade without a limit of the conductivity passes salt water. Add the limit.")
	case !(g.ConductivityMax > 0 && g.ConductivityMax <= mostConductivity):
		return bad("a conductivity of at most %g µS/cm; it is more than 0 and at most %g. Check the unit", g.ConductivityMax, mostConductivity)
	}
	return nil
}

// checkSteps wants rising temperatures, with limits that never fall: warmer water conducts better.
func checkSteps(steps []Step) error {
	if len(steps) < 2 {
		return fault.Invalid("water_grade.steps", "GRADE_TABLE_INVALID", "A stepped table has two rows at least; this has %d. Add the rows of your document.", len(steps))
	}
	for i, s := range steps {
		if !(s.Temperature >= 0 && s.Temperature <= hottest && s.Limit > 0 && s.Limit <= mostConductivity) {
			return fault.Invalid("water_grade.steps", "GRADE_TABLE_INVALID", "Row %d, %g µS/cm at %g °C, is no limit of wash water. Check its numbers and units.", i+1, s.Limit, s.Temperature)
		}
		if i > 0 && !(s.Temperature > steps[i-1].Temperature && s.Limit >= steps[i-1].Limit) {
			return fault.Invalid("water_grade.steps", "GRADE_TABLE_INVALID",
				"Row %d, %g µS/cm at %g °C, follows %g at %g: temperatures rise and limits never fall. Put the rows in order.", i+1, s.Limit, s.Temperature, steps[i-1].Limit, steps[i-1].Temperature)
		}
	}
	return nil
}
