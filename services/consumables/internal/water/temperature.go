package water

import (
	"fmt"
	"math"
	"slices"

	"coldsection.example/services/platform/fault"
)

// Treatment is how a conductivity was brought to the temperature of its limit.
type Treatment int

// The treatments.
const (
	At25    Treatment = iota + 1 // read at 25 °C, within one
	Meter                        // referred to 25 °C by the meter
	Linear                       // referred to 25 °C here
	Stepped                      // raw, against the limit for its temperature
)

const (
	coefficient = 0.02 // per kelvin
	near        = 1.0  // K from 25 °C within which nothing is referred
	pure        = 5.0  // µS/cm: below, the ions of the water itself make the linear form err towards passing
)

// stage1 is the table of USP <645> stage 1 for uncompensated readings: °C and µS/cm. Its rows go on to 100 °C; wash water is
// not tested that hot.
var stage1 = []Step{{0, 0.6}, {5, 0.8}, {10, 0.9}, {15, 1.0}, {20, 1.1}, {25, 1.3}, {30, 1.4}, {35, 1.5}, {40, 1.7}, {45, 1.8}, {50, 1.9}}

// purest is what water conducts by its own ions alone, °C and µS/cm, rounded down: the theoretical 0.0548 at 25 °C (18.2 MΩ cm) that ASTM D1193
// and ISO 3696 rest on, the colder rows from memory of the same theory (T. S. Light). A reading is held against the row at or below its
// temperature, and above 25 °C against that of 25 °C, so that no reading of water is refused.
var purest = []Step{{0, 0.0116}, {5, 0.0165}, {10, 0.0230}, {15, 0.0313}, {20, 0.0419}, {25, 0.0548}}

// floor is the least that a meter can have shown in water at this temperature, or referred to 25 °C.
func (r Reading) floor() float64 {
	if r.Compensated {
		return purest[len(purest)-1].Limit
	}
	for _, row := range slices.Backward(purest) {
		if r.Temperature >= row.Temperature {
			return row.Limit
		}
	}
	return purest[0].Limit
}

// stage2 is the limit of USP <645> stage 2, µS/cm at 25 °C of a sample that was stirred until its reading stood.
const stage2 = 2.1

// Referred is the conductivity at 25 °C and how it came about. The linear form is κ25 = κ/(1 + 0.02 (T − 25)).
func (r Reading) Referred() (float64, Treatment, string) {
	switch {
	case r.near25():
		return r.Conductivity, At25, fmt.Sprintf("read at %g °C", r.Temperature)
	case r.Compensated:
		return r.Conductivity, Meter, fmt.Sprintf("%g at %g °C, compensated by the meter", r.Conductivity, r.Temperature)
	default:
		at25 := r.Conductivity / (1 + coefficient*(r.Temperature-25))
		return at25, Linear, fmt.Sprintf("%g / (1 + 0.02 × (%g − 25)) = %.3g at 25 °C", r.Conductivity, r.Temperature, at25)
	}
}

func (r Reading) near25() bool { return math.Abs(r.Temperature-25) <= near }

// conductivity judges a reading against the grade's limit. Reasons: TEMPERATURE_TREATMENT_UNSAFE, METER_COMPENSATED,
// READING_IMPLAUSIBLE, TEMPERATURE_NOT_25.
func conductivity(g Grade, r Reading) (Check, Treatment, error) {
	if g.Stepped {
		return stepped(g, r)
	}
	if g.ReadAt25 && !r.near25() {
		return Check{}, At25, fault.Precondition("TEMPERATURE_NOT_25",
			"%s is judged by readings at 25 °C, within one; this was %g °C. Bring the sample to 25 °C and read it again.", g.Source, r.Temperature)
	}
	at25, how, explanation := r.Referred()
	check := Check{"conductivity", at25, "uS/cm", fmt.Sprintf("at most %g µS/cm at 25 °C", g.ConductivityMax), at25 <= g.ConductivityMax, explanation}
	if check.Met && how != At25 && r.Conductivity < pure {
		return check, how, fault.Precondition("TEMPERATURE_TREATMENT_UNSAFE",
			"%g µS/cm read at %g °C can't be referred to 25 °C: below %g µS/cm the water's own ions make that err towards passing. "+
				"Read it at 24 to 26 °C, or judge an uncompensated reading by USP <645>.", r.Conductivity, r.Temperature, pure)
	}
	return check, how, nil
}

// stepped judges a raw reading by the row for its temperature, rounded down to a row. By USP <645> a sample that was brought to
// 25 °C and stirred is judged by stage 2; an operator's own table has no second stage.
func stepped(g Grade, r Reading) (Check, Treatment, error) {
	check, own := Check{Property: "conductivity", Value: r.Conductivity, Unit: "uS/cm"}, len(g.Steps) > 0
	if r.Equilibrated && !own {
		if !r.near25() {
			return check, At25, fault.Invalid("water_test.temperature", "READING_IMPLAUSIBLE", "Stage 2 is read at 25 °C, within one; this was %g °C. Read it again.", r.Temperature)
		}
		check.Limit, check.Met, check.Explanation = fmt.Sprintf("at most %g µS/cm at 25 °C, stage 2", stage2), r.Conductivity <= stage2, "read after stirring at 25 °C"
		return check, At25, nil
	}
	if r.Compensated {
		return check, Stepped, fault.Precondition("METER_COMPENSATED",
			"The table of %s judges readings that nothing compensated, and this meter had. Switch its compensation off and read again.", g.Source)
	}
	row, ok := g.stepAt(r.Temperature)
	if !ok {
		return check, Stepped, fault.Invalid("water_test.temperature", "READING_IMPLAUSIBLE",
			"%g °C is outside the table of %s. Bring the sample to a temperature within it.", r.Temperature, g.Source)
	}
	check.Limit = fmt.Sprintf("at most %g µS/cm at %g °C, uncompensated", row.Limit, row.Temperature)
	check.Met, check.Explanation = r.Conductivity <= row.Limit, fmt.Sprintf("%g °C is judged by the row of %g °C", r.Temperature, row.Temperature)
	if !check.Met && !own {
		check.Explanation += fmt.Sprintf("; next, stage 2: bring the sample to 25 °C, stir until the reading stands, limit %g µS/cm", stage2)
	}
	return check, Stepped, nil
}

// stepAt is the row for a temperature. The published table goes on in steps of 5 K, so that its last row here ends below the
// next; an operator's own ends with its last row.
func (g Grade) stepAt(temperature float64) (Step, bool) {
	rows, beyond := g.Steps, 0.0
	if len(rows) == 0 {
		rows, beyond = stage1, 5
	}
	last := rows[len(rows)-1]
	for _, row := range slices.Backward(rows) {
		if temperature >= row.Temperature {
			return row, temperature == last.Temperature || temperature < last.Temperature+beyond
		}
	}
	return Step{}, false
}
