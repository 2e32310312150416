package water_test

import (
	"math"
	"testing"

	"coldsection.example/services/consumables/internal/water"
	"coldsection.example/services/platform/fault"
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

// Water itself conducts 0.0548 µS/cm at 25 °C (ASTM D1193, ISO 3696: 18.2 MΩ cm): a meter that shows less was not in water. Referred to 25 °C by
// the meter this holds at any temperature; cold water read raw may show less, and warm water shows more.
func TestLessThanWaterItselfConductsIsRefused(t *testing.T) {
	for _, c := range []struct {
		shown, at   float64
		compensated bool
		refused     bool
	}{
		{0, 25, true, true}, {0, 5, false, true}, {0.0547, 25, true, true}, {0.0547, 25, false, true}, {0.0548, 25, true, false}, {0.055, 25, false, false},
		{0.054, 10, true, true}, {0.024, 10, false, false}, {0.022, 10, false, true}, {0.05, 24, false, false}, {0.05, 40, false, true}, {0.011, 0, false, true},
	} {
		r := water.Reading{Conductivity: c.shown, Temperature: c.at, Compensated: c.compensated, PH: none}
		if err := r.Validate(); fault.HasReason(err, "READING_IMPLAUSIBLE") != c.refused {
			t.Errorf("%g µS/cm at %g °C, compensated %t: %v", c.shown, c.at, c.compensated, err)
		}
	}
}

// An estimate is told with as many digits as it is worth: 0.7 × 5.5 is 3.85.
func TestEstimatesHaveNoDust(t *testing.T) {
	if least, most := water.SolidsEstimate(5.5); least != 2.75 || most != 3.85 {
		t.Errorf("%v to %v mg/L", least, most)
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
