package water_test

import (
	"math"
	"slices"
	"testing"

	"coldsection.example/services/consumables/internal/water"
)

// W01 to W10: which limit fails, and nothing else. W01 to W03: ISO 3696:1987 table 1, read in three public summaries (one prints
// 7.0 for the upper pH limit, two 7.5). W04 to W06: ASTM D1193-99 scope table. W08 to W10: the linear form of ISO 7888 and
// EN 27888 with 2 % per kelvin, two instrument manuals. The readings that a row leaves out are well within their limits here.
func TestWhichLimitFails(t *testing.T) {
	for _, c := range []struct {
		id, grade string
		r         water.Reading
		failed    []string
		at25      float64
	}{
		{"W01", "iso3696-3", water.Reading{Conductivity: 4.9, Temperature: 25, Compensated: true, PH: 6.8, Silica: none, Solids: 1}, nil, 4.9},
		{"W02", "iso3696-3", water.Reading{Conductivity: 5.1, Temperature: 25, Compensated: true, PH: 6.8, Silica: none, Solids: 1}, []string{"conductivity"}, 5.1},
		{"W03", "iso3696-2", water.Reading{Conductivity: 0.9, Temperature: 25, Compensated: true, PH: none, Silica: 0.03, Solids: 0.5}, []string{"silica"}, 0.9},
		{"W04", "astm-d1193-iv", water.Reading{Conductivity: 5.0, Temperature: 25, Compensated: true, PH: 8.0, Silica: none, Solids: none}, nil, 5},
		{"W05", "astm-d1193-iii", water.Reading{Conductivity: 0.25, Temperature: 25, Compensated: true, PH: none, Silica: 0.5, Solids: none}, nil, 0.25},
		{"W06", "astm-d1193-ii", water.Reading{Conductivity: 0.9, Temperature: 25, Compensated: true, PH: none, Silica: 0.004, Solids: none}, []string{"silica"}, 0.9},
		{"W08", "iso3696-3", water.Reading{Conductivity: 4.4, Temperature: 15, Compensated: false, PH: 6.8, Silica: none, Solids: 1}, []string{"conductivity"}, 5.5},
		{"W09", "iso3696-3", water.Reading{Conductivity: 5.4, Temperature: 30, Compensated: false, PH: 6.8, Silica: none, Solids: 1}, nil, 4.909},
		{"W10", "iso3696-3", water.Reading{Conductivity: 6.0, Temperature: 15, Compensated: false, PH: 6.8, Silica: none, Solids: 1}, []string{"conductivity"}, 7.5},
		{"W08, read at 25 °C", "iso3696-3", water.Reading{Conductivity: 4.4, Temperature: 25, Compensated: true, PH: 6.8, Silica: none, Solids: 1}, nil, 4.4},
		{"W09, read as if it were at 25 °C", "iso3696-3", water.Reading{Conductivity: 5.4, Temperature: 30, Compensated: true, PH: 6.8, Silica: none, Solids: 1}, []string{"conductivity"}, 5.4},
		{"pH above", "iso3696-3", water.Reading{Conductivity: 4.9, Temperature: 25, Compensated: true, PH: 7.6, Silica: none, Solids: 1}, []string{"pH"}, 4.9},
		{"residue above", "iso3696-3", water.Reading{Conductivity: 4.9, Temperature: 25, Compensated: true, PH: 6.8, Silica: none, Solids: 2.1}, []string{"residue"}, 4.9},
		{"nothing but conductivity", "iso3696-2", water.Reading{Conductivity: 0.9, Temperature: 25, Compensated: true, PH: none, Silica: none, Solids: none}, []string{"silica", "residue"}, 0.9},
	} {
		checks, _, passed, err := water.Judge(water.Published[c.grade], c.r)
		if err != nil {
			t.Errorf("%s: %v", c.id, err)
			continue
		}
		var failed []string
		for _, check := range checks {
			if !check.Met {
				failed = append(failed, check.Property)
			}
		}
		if !slices.Equal(failed, c.failed) || passed != (len(c.failed) == 0) {
			t.Errorf("%s: failed %v, want %v", c.id, failed, c.failed)
		}
		if math.Abs(checks[0].Value-c.at25) > 0.0005 {
			t.Errorf("%s: %v µS/cm at 25 °C, want %v", c.id, checks[0].Value, c.at25)
		}
	}
}

// W06 and W13: the silica limit of ASTM D1193 type II is 3 µg/L; the limit of type IV is that of 0.2 MΩ cm, by the reciprocal.
func TestPublishedLimits(t *testing.T) {
	if got := water.Published["astm-d1193-ii"].SilicaMax; got != 0.003 {
		t.Errorf("W06: %v mg/L", got)
	}
	if got := water.Published["astm-d1193-iv"].ConductivityMax; math.Abs(got-1/0.2) > 1e-12 {
		t.Errorf("W13: %v µS/cm", got)
	}
}

// Section A7 of the handbook of stores: ISO 3696:1987, table 1, and the scope table of ASTM D1193, every limit that they state and no other.
func TestEveryPublishedLimit(t *testing.T) {
	for name, want := range map[string][5]float64{ // conductivity, pH from and to, silica, residue; 0 is not stated
		"iso3696-1": {0.1, 0, 0, 0.01, 0}, "iso3696-2": {1, 0, 0, 0.02, 1}, "iso3696-3": {5, 5, 7.5, 0, 2}, "usp-645": {1.3, 0, 0, 0, 0},
		"astm-d1193-i": {0.056, 0, 0, 0.003, 0}, "astm-d1193-ii": {1, 0, 0, 0.003, 0}, "astm-d1193-iii": {0.25, 0, 0, 0.5, 0}, "astm-d1193-iv": {5, 5, 8, 0, 0},
	} {
		g, ok := water.Published[name]
		if got := [5]float64{g.ConductivityMax, g.PHMin, g.PHMax, g.SilicaMax, g.SolidsMax}; !ok || got != want || g.Stepped != (name == "usp-645") {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	if len(water.Published) != 8 {
		t.Errorf("%d grades", len(water.Published))
	}
	for ph, met := range map[float64]bool{5: true, 7.5: true, 4.99: false, 7.51: false} {
		r := water.Reading{Conductivity: 4, Temperature: 25, Compensated: true, PH: ph, Silica: none, Solids: 2}
		if _, _, passed, err := water.Judge(water.Published["iso3696-3"], r); err != nil || passed != met {
			t.Errorf("pH %g: %t, %v", ph, passed, err)
		}
	}
}
