package water_test

import (
	"math"
	"testing"

	"coldsection.example/services/consumables/internal/water"
)

var none = math.NaN()

// Without a reading a limit is not met, and no check is without a number.
func TestWhatWasNotReadIsNotMet(t *testing.T) {
	checks, how, passed, err := water.Judge(water.Published["iso3696-3"], water.Reading{Conductivity: 4, Temperature: 25, Compensated: true, PH: none, Solids: none})
	if err != nil || passed || how != water.At25 || len(checks) != 3 {
		t.Errorf("passed %t, %+v (%v)", passed, checks, err)
	}
	for _, check := range checks {
		if math.IsNaN(check.Value) {
			t.Errorf("%s has no number", check.Property)
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
	for _, bad := range []water.Reading{
		{Conductivity: none, Temperature: 20, PH: 7}, {Conductivity: -1, Temperature: 20, PH: 7}, {Conductivity: 3, Temperature: 68, PH: 7},
		{Conductivity: 3, Temperature: 20, PH: 15}, {Conductivity: 3, Temperature: none, PH: 7},
	} {
		if bad.Validate() == nil {
			t.Errorf("%+v was accepted", bad)
		}
	}
}
