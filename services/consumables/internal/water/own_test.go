package water_test

import (
	"math"
	"testing"

	"coldsection.example/services/consumables/internal/water"
	"coldsection.example/services/platform/fault"
)

// rows is an invented table.
var rows = []water.Step{{Temperature: 10, Limit: 3}, {Temperature: 20, Limit: 4}, {Temperature: 25, Limit: 5}}

func TestBadGradesAreRefused(t *testing.T) {
	for what, c := range map[string]struct {
		grade  water.Grade
		reason string
	}{
		"as it should be": {water.Grade{ConductivityMax: 5, PHMin: 5, PHMax: 7.5}, ""}, "a table": {water.Grade{Stepped: true, Steps: rows}, ""},
		"no limit": {water.Grade{SilicaMax: 1}, "GRADE_LIMIT_MISSING"}, "less than none": {water.Grade{ConductivityMax: -1}, "GRADE_LIMIT_INVALID"},
		"no number": {water.Grade{ConductivityMax: math.NaN()}, "GRADE_LIMIT_INVALID"}, "sea water": {water.Grade{ConductivityMax: 50_000}, "GRADE_LIMIT_INVALID"},
		"a pH the wrong way round": {water.Grade{ConductivityMax: 5, PHMin: 8, PHMax: 5}, "GRADE_LIMIT_INVALID"},
		"a pH of 15":               {water.Grade{ConductivityMax: 5, PHMin: 5, PHMax: 15}, "GRADE_LIMIT_INVALID"},
		"silica of no number":      {water.Grade{ConductivityMax: 5, SilicaMax: math.NaN()}, "GRADE_LIMIT_INVALID"},
		"a limit and a table":      {water.Grade{ConductivityMax: 5, Stepped: true, Steps: rows}, "GRADE_LIMIT_INVALID"},
		"a table for nothing":      {water.Grade{ConductivityMax: 5, Steps: rows}, "GRADE_TABLE_INVALID"}, "no rows": {water.Grade{Stepped: true}, "GRADE_TABLE_INVALID"},
		"one row":            {water.Grade{Stepped: true, Steps: rows[:1]}, "GRADE_TABLE_INVALID"},
		"rows in disorder":   {water.Grade{Stepped: true, Steps: []water.Step{rows[1], rows[0]}}, "GRADE_TABLE_INVALID"},
		"the same row":       {water.Grade{Stepped: true, Steps: []water.Step{rows[0], rows[0]}}, "GRADE_TABLE_INVALID"},
		"a limit that falls": {water.Grade{Stepped: true, Steps: []water.Step{{Temperature: 10, Limit: 4}, {Temperature: 20, Limit: 3}}}, "GRADE_TABLE_INVALID"},
		"no number in it":    {water.Grade{Stepped: true, Steps: []water.Step{{Temperature: 10, Limit: 3}, {Temperature: math.NaN(), Limit: 4}}}, "GRADE_TABLE_INVALID"},
		"boiling":            {water.Grade{Stepped: true, Steps: []water.Step{{Temperature: 10, Limit: 3}, {Temperature: 100, Limit: 4}}}, "GRADE_TABLE_INVALID"},
	} {
		if err := c.grade.Check(); (err == nil) != (c.reason == "") || err != nil && !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %v, want %q", what, err, c.reason)
		}
	}
}

// An own table judges by the row at or below the temperature, on its limit met, and not beyond its last row; it has no second stage.
func TestAnOwnTableJudges(t *testing.T) {
	grade := water.Grade{Stepped: true, Steps: rows, Source: "Invented table"}
	for _, c := range []struct {
		kappa, temperature float64
		met                bool
		reason             string
	}{{4, 24.9, true, ""}, {4.01, 24.9, false, ""}, {5, 25, true, ""}, {3, 10, true, ""}, {3, 9.9, false, "READING_IMPLAUSIBLE"}, {3, 25.1, false, "READING_IMPLAUSIBLE"}} {
		r := water.Reading{Conductivity: c.kappa, Temperature: c.temperature, PH: math.NaN(), Silica: math.NaN(), Solids: math.NaN(), Equilibrated: true}
		_, how, passed, err := water.Judge(grade, r)
		if passed != c.met || (err == nil) != (c.reason == "") || err != nil && !fault.HasReason(err, c.reason) || how != water.Stepped {
			t.Errorf("%g at %g: %t (%v) by %d", c.kappa, c.temperature, passed, err, how)
		}
	}
}

func TestAGradeThatIsReadAt25(t *testing.T) {
	grade := water.Grade{ConductivityMax: 10, ReadAt25: true, Source: "Invented grade"}
	read := water.Reading{Conductivity: 8, Temperature: 20, Compensated: true, PH: math.NaN(), Silica: math.NaN(), Solids: math.NaN()}
	if _, _, _, err := water.Judge(grade, read); !fault.HasReason(err, "TEMPERATURE_NOT_25") {
		t.Errorf("at 20 °C: %v", err)
	}
	read.Temperature = 25.5
	if _, how, passed, err := water.Judge(grade, read); err != nil || !passed || how != water.At25 {
		t.Errorf("at 25.5 °C: %t (%v)", passed, err)
	}
}
