// Package water judges readings of water against a grade: published limits, and the treatment of temperature.
//
// Conductivity limits are stated at 25 °C. A raw reading of 5 µS/cm or more is referred to it with the linear form (2 % per
// kelvin, the commonest coefficient, the linear form of EN 27888 devices). Purer water is read at 25 °C, or judged by the
// stepped table of USP <645> for uncompensated readings, because there the linear form errs towards passing.
package water

import (
	"fmt"
	"math"

	"coldsection.example/services/platform/fault"
)

// Grade holds limits; zero means not limited.
type Grade struct {
	ConductivityMax float64 // µS/cm at 25 °C
	PHMin, PHMax    float64
	SilicaMax       float64 // mg/L
	SolidsMax       float64 // mg/L
	ReadAt25        bool    // conductivity only as read at 25 °C, within one
	Stepped         bool    // conductivity by a stepped table, not at 25 °C
	Steps           []Step  // that table, by rising temperature; without it, the one of USP <645>
	Source          string
}

// Reading holds what was read; NaN means not read.
type Reading struct {
	Conductivity float64 // µS/cm, as the meter showed
	Temperature  float64 // °C
	Compensated  bool    // the meter had referred its reading to 25 °C
	Equilibrated bool    // brought to 25 °C and stirred, for stage 2 of USP <645>
	PH           float64
	Silica       float64 // mg/L
	Solids       float64 // mg/L
}

// Check is one limit against its reading.
type Check struct {
	Property    string
	Value       float64
	Unit        string
	Limit       string
	Met         bool
	Explanation string
}

// Validate refuses readings that no water has. Reason: READING_IMPLAUSIBLE.
func (r Reading) Validate() error {
	switch {
	case r.Conductivity < r.floor():
		return fault.Invalid("water_test.conductivity", "READING_IMPLAUSIBLE",
			"%g µS/cm is less than water without anything in it conducts (%g at %g °C): the probe was dry, or the meter is not in order. Read it again, all of the probe in the water.",
			r.Conductivity, r.floor(), r.Temperature)
	case math.IsNaN(r.Conductivity) || r.Conductivity > mostConductivity:
		return fault.Invalid("water_test.conductivity", "READING_IMPLAUSIBLE", "A conductivity of %g µS/cm is not that of wash water. Check the unit.", r.Conductivity)
	case math.IsNaN(r.Temperature) || r.Temperature < 0 || r.Temperature > hottest:
		return fault.Invalid("water_test.temperature", "READING_IMPLAUSIBLE", "The water can't have been %g °C at the reading (0 to 60). Check the unit.", r.Temperature)
	case r.PH < 0 || r.PH > 14:
		return fault.Invalid("water_test.ph", "READING_IMPLAUSIBLE", "A pH of %g does not exist. Read it again.", r.PH)
	}
	return nil
}

// Judge compares a reading with a grade; every limit of the grade must have its reading to be met. It says how the
// conductivity was treated. Reasons: TEMPERATURE_TREATMENT_UNSAFE, METER_COMPENSATED, READING_IMPLAUSIBLE,
// TEMPERATURE_NOT_25.
func Judge(g Grade, r Reading) (checks []Check, how Treatment, passed bool, err error) {
	first, how, err := conductivity(g, r)
	if err != nil {
		return nil, how, false, err
	}
	checks = append(checks, first)
	if g.PHMax > 0 {
		checks = append(checks, Check{"pH", r.PH, "[pH]", fmt.Sprintf("%g to %g", g.PHMin, g.PHMax), r.PH >= g.PHMin && r.PH <= g.PHMax, read(r.PH)})
	}
	if g.SilicaMax > 0 {
		checks = append(checks, Check{"silica", r.Silica, "mg/L", fmt.Sprintf("at most %g mg/L", g.SilicaMax), r.Silica <= g.SilicaMax, read(r.Silica)})
	}
	if g.SolidsMax > 0 {
		checks = append(checks, Check{"residue", r.Solids, "mg/L", fmt.Sprintf("at most %g mg/L", g.SolidsMax), r.Solids <= g.SolidsMax, read(r.Solids)})
	}
	passed = true
	for i := range checks {
		passed = passed && checks[i].Met
		if math.IsNaN(checks[i].Value) {
			checks[i].Value = 0
		}
	}
	return checks, how, passed, nil
}

func read(v float64) string {
	if math.IsNaN(v) {
		return "not read"
	}
	return "as read"
}

// SolidsEstimate is what a conductivity at 25 °C suggests of dissolved solids, in mg/L, with the factors 0.5 and 0.7 (common
// practice, no source). It is an estimate, which no limit is judged by.
func SolidsEstimate(at25 float64) (least, most float64) {
	const digits = 1e4 // the fourth after the point is far below what the factors are worth
	return math.Round(0.5*at25*digits) / digits, math.Round(0.7*at25*digits) / digits
}

// Published grades. ISO 3696:1987: conductivity at 25 °C, pH, silica, residue after evaporation. ASTM D1193: conductivity,
// and pH for type IV; its types are not a ranking (III is purer than II in conductivity). USP <645>: the stepped table.
var Published = map[string]Grade{
	"iso3696-1":      {ConductivityMax: 0.1, SilicaMax: 0.01, Source: "ISO 3696:1987, grade 1"},
	"iso3696-2":      {ConductivityMax: 1.0, SilicaMax: 0.02, SolidsMax: 1, Source: "ISO 3696:1987, grade 2"},
	"iso3696-3":      {ConductivityMax: 5.0, PHMin: 5.0, PHMax: 7.5, SolidsMax: 2, Source: "ISO 3696:1987, grade 3"},
	"usp-645":        {Stepped: true, ConductivityMax: 1.3, Source: "USP <645>, stage 1 by temperature, stage 2 at 25 °C"},
	"astm-d1193-i":   {ConductivityMax: 0.056, SilicaMax: 0.003, Source: "ASTM D1193, type I"},
	"astm-d1193-ii":  {ConductivityMax: 1.0, SilicaMax: 0.003, Source: "ASTM D1193, type II"},
	"astm-d1193-iii": {ConductivityMax: 0.25, SilicaMax: 0.5, Source: "ASTM D1193, type III"},
	"astm-d1193-iv":  {ConductivityMax: 5.0, PHMin: 5.0, PHMax: 8.0, Source: "ASTM D1193, type IV"},
}
