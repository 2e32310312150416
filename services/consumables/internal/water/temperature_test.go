package water_test

import (
	"math"
	"strings"
	"testing"

	"coldsection.example/services/consumables/internal/water"
	"coldsection.example/services/platform/fault"
)

// W11 and W12: USP <645> stage 1, values read in an instrument manual: an uncompensated reading, its temperature rounded down
// to 5 °C. Stage 2 at 25 °C, limit 2.1.
func TestSteppedTable(t *testing.T) {
	for _, c := range []struct {
		id                        string
		conductivity, temperature float64
		equilibrated              bool
		limit                     string
		met                       bool
	}{
		{"W11", 1.1, 22.5, false, "at most 1.1 µS/cm at 20 °C", true},
		{"W12", 1.2, 24.9, false, "at most 1.1 µS/cm at 20 °C", false},
		{"W12, stage 2", 2.1, 25, true, "at most 2.1 µS/cm at 25 °C, stage 2", true},
		{"stage 2 above", 2.2, 25.5, true, "at most 2.1 µS/cm at 25 °C, stage 2", false},
		{"on the row", 1.3, 25, false, "at most 1.3 µS/cm at 25 °C", true},
		{"ice water", 0.6, 0, false, "at most 0.6 µS/cm at 0 °C", true},
		{"the last row", 1.9, 54.9, false, "at most 1.9 µS/cm at 50 °C", true},
	} {
		r := water.Reading{Conductivity: c.conductivity, Temperature: c.temperature, Equilibrated: c.equilibrated, PH: none, Silica: none, Solids: none}
		checks, how, passed, err := water.Judge(water.Published["usp-645"], r)
		if err != nil || passed != c.met || !strings.HasPrefix(checks[0].Limit, c.limit) || checks[0].Value != c.conductivity {
			t.Errorf("%s: passed %t, %+v (%v)", c.id, passed, checks, err)
			continue
		}
		if want := map[bool]water.Treatment{true: water.At25, false: water.Stepped}[c.equilibrated]; how != want {
			t.Errorf("%s: treatment %d", c.id, how)
		}
		if next := strings.Contains(checks[0].Explanation, "stage 2"); !c.met && !c.equilibrated && !next {
			t.Errorf("%s: says no next move: %s", c.id, checks[0].Explanation)
		}
	}
}

// Below 5 µS/cm the linear form errs towards passing (rule of the stores handbook), so that a pass that rests on it is
// refused and no verdict is given; a failure stands, because the truth is worse. A table for raw readings takes no other.
func TestUnsafeTreatmentsAreRefused(t *testing.T) {
	for _, c := range []struct {
		what, grade, reason string
		r                   water.Reading
	}{
		{"pure and cold", "iso3696-3", "TEMPERATURE_TREATMENT_UNSAFE", water.Reading{Conductivity: 3.6, Temperature: 19.5, PH: 6.8, Solids: 1}},
		{"pure and warm", "iso3696-2", "TEMPERATURE_TREATMENT_UNSAFE", water.Reading{Conductivity: 0.5, Temperature: 40, Silica: 0.01, Solids: 0.5}},
		{"the meter's own form", "iso3696-3", "TEMPERATURE_TREATMENT_UNSAFE", water.Reading{Conductivity: 4.4, Temperature: 15, Compensated: true, PH: 6.8, Solids: 1}},
		{"compensated twice", "usp-645", "METER_COMPENSATED", water.Reading{Conductivity: 1, Temperature: 20, Compensated: true}},
		{"hotter than the table", "usp-645", "READING_IMPLAUSIBLE", water.Reading{Conductivity: 1, Temperature: 55}},
		{"stage 2 in the cold", "usp-645", "READING_IMPLAUSIBLE", water.Reading{Conductivity: 1, Temperature: 20, Equilibrated: true}},
	} {
		if checks, _, passed, err := water.Judge(water.Published[c.grade], c.r); !fault.HasReason(err, c.reason) || passed || checks != nil {
			t.Errorf("%s: passed %t, %v", c.what, passed, err)
		}
	}
	cold := water.Reading{Conductivity: 0.9, Temperature: 15, Silica: 0.01, Solids: 0.5}
	if _, how, passed, err := water.Judge(water.Published["iso3696-2"], cold); err != nil || passed || how != water.Linear {
		t.Errorf("fails all the same: passed %t (%v)", passed, err)
	}
}

// W08 to W10: the linear form of ISO 7888 and EN 27888 with 2 % per kelvin, two instrument manuals.
func TestReferredTo25(t *testing.T) {
	for _, c := range []struct{ raw, temperature, want float64 }{{4.4, 15, 5.5}, {5.4, 30, 4.909}, {6.0, 15, 7.5}} {
		if got, how, _ := (water.Reading{Conductivity: c.raw, Temperature: c.temperature}).Referred(); math.Abs(got-c.want) > 0.001 || how != water.Linear {
			t.Errorf("%v at %v: %v, want %v", c.raw, c.temperature, got, c.want)
		}
	}
	if got, how, _ := (water.Reading{Conductivity: 3, Temperature: 15, Compensated: true}).Referred(); got != 3 || how != water.Meter {
		t.Errorf("compensated twice: %v", got)
	}
}

// W14: common practice, no source: 10 µS/cm suggests 5 to 7 mg/L, and the factors are part of the answer.
func TestSolidsFromConductivityAreAnEstimate(t *testing.T) {
	if least, most := water.SolidsEstimate(10); least != 5 || math.Abs(most-7) > 1e-12 {
		t.Errorf("W14: %v to %v", least, most)
	}
}

// USP <645> stage 1, every row of it up to 50 °C, as section A7 of the handbook of stores gives it: on the row and just below the next the limit of the
// row holds, to the number. The last row ends below 55 °C.
func TestEveryRowOfTheSteppedTable(t *testing.T) {
	for row, limit := range map[float64]float64{0: 0.6, 5: 0.8, 10: 0.9, 15: 1.0, 20: 1.1, 25: 1.3, 30: 1.4, 35: 1.5, 40: 1.7, 45: 1.8, 50: 1.9} {
		for _, temperature := range []float64{row, row + 4.99} {
			for conductivity, met := range map[float64]bool{limit: true, limit + 0.001: false} {
				r := water.Reading{Conductivity: conductivity, Temperature: temperature, PH: none, Silica: none, Solids: none}
				if checks, _, passed, err := water.Judge(water.Published["usp-645"], r); err != nil || passed != met {
					t.Errorf("%g µS/cm at %g °C: %t, %+v (%v)", conductivity, temperature, passed, checks, err)
				}
			}
		}
	}
	for _, outside := range []float64{-0.01, 55} {
		r := water.Reading{Conductivity: 1, Temperature: outside, PH: none, Silica: none, Solids: none}
		if _, _, _, err := water.Judge(water.Published["usp-645"], r); !fault.HasReason(err, "READING_IMPLAUSIBLE") {
			t.Errorf("at %g °C: %v", outside, err)
		}
	}
	for temperature, near := range map[float64]bool{24: true, 26: true, 23.99: false, 26.01: false} {
		r := water.Reading{Conductivity: 2, Temperature: temperature, Equilibrated: true, PH: none, Silica: none, Solids: none}
		if _, _, passed, err := water.Judge(water.Published["usp-645"], r); passed != near || (err == nil) != near {
			t.Errorf("stage 2 at %g °C: %t, %v", temperature, passed, err)
		}
	}
}
