package water_test

import (
	"math"
	"testing"

	"coldsection.example/services/consumables/internal/water"
)

var none = math.NaN()

// Rows W01 to W10: ISO 3696:1987 table 1, ASTM D1193 scope table, and the linear temperature form of EN 27888 with 2 %/K.
func TestGrades(t *testing.T) {
	for _, c := range []struct {
		id, grade string
		r         water.Reading
		pass      bool
	}{
		{"W01", "iso3696-3", water.Reading{4.9, 25, true, 6.8, none, 1}, true},
		{"W02", "iso3696-3", water.Reading{5.1, 25, true, 6.8, none, 1}, false},
		{"W03", "iso3696-2", water.Reading{0.9, 25, true, none, 0.03, 0.5}, false},
		{"W04", "astm-d1193-iv", water.Reading{5.0, 25, true, 8.0, none, none}, true},
		{"W05", "astm-d1193-iii", water.Reading{0.25, 25, true, none, 0.5, none}, true},
		{"W06", "astm-d1193-ii", water.Reading{0.9, 25, true, none, 0.004, none}, false},
		{"W08", "iso3696-3", water.Reading{4.4, 15, false, 6.8, none, 1}, false},
		{"W09", "iso3696-3", water.Reading{5.4, 30, false, 6.8, none, 1}, true},
		{"W10", "iso3696-3", water.Reading{6.0, 15, false, 6.8, none, 1}, false},
		{"pH not read", "iso3696-3", water.Reading{4, 25, true, none, none, 1}, false},
		{"pure water read warm", "iso3696-2", water.Reading{0.5, 40, false, none, 0.01, 0.5}, false},
	} {
		checks, passed := water.Judge(water.Published[c.grade], c.r)
		if passed != c.pass || len(checks) == 0 {
			t.Errorf("%s: passed %t, %+v", c.id, passed, checks)
		}
		for _, check := range checks {
			if math.IsNaN(check.Value) {
				t.Errorf("%s: %s has no number", c.id, check.Property)
			}
		}
	}
}

func TestReferredTo25(t *testing.T) {
	for _, c := range []struct{ raw, temperature, want float64 }{{4.4, 15, 5.5}, {5.4, 30, 4.909}, {6.0, 15, 7.5}} {
		if got := (water.Reading{Conductivity: c.raw, Temperature: c.temperature}).At25(); math.Abs(got-c.want) > 0.001 {
			t.Errorf("%v at %v: %v, want %v", c.raw, c.temperature, got, c.want)
		}
	}
}

// ASTM types are not a ranking: type III is purer in conductivity than type II (W07).
func TestTypesAreNotARanking(t *testing.T) {
	if water.Published["astm-d1193-iii"].ConductivityMax >= water.Published["astm-d1193-ii"].ConductivityMax {
		t.Error("the table is wrong")
	}
}

func TestImpossibleReadingsAreRefused(t *testing.T) {
	good := water.Reading{Conductivity: 3, Temperature: 20, PH: 7}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []water.Reading{{none, 20, false, 7, 0, 0}, {-1, 20, false, 7, 0, 0}, {3, 68, false, 7, 0, 0}, {3, 20, false, 15, 0, 0}, {3, none, false, 7, 0, 0}} {
		if bad.Validate() == nil {
			t.Errorf("%+v was accepted", bad)
		}
	}
}
