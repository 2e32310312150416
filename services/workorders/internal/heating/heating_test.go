package heating_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/heating"
)

// The handbook of performance, section 8.3: 28 V and 50 W make 15.68 Ω; ±10 % between 24 and 29 V is 1.39147 to 2.05499 A; at the rated
// voltage it is 28 V over 15.68 Ω × 1.1 and × 0.9.
func TestTheWindowAtAVoltageIsThatVoltageOverTheResistances(t *testing.T) {
	over, supply := heating.Window{Low: 1.391466, High: 2.054989}, heating.Window{Low: 24, High: 29}
	for volts, want := range map[float64]heating.Window{
		28: {Low: 28 / (15.68 * 1.1), High: 28 / (15.68 * 0.9)}, 24: {Low: 24 / (15.68 * 1.1), High: 24 / (15.68 * 0.9)}, 26.4: {Low: 26.4 / 17.248, High: 26.4 / 14.112},
	} {
		got, ok := heating.At(over, supply, volts)
		if !ok || math.Abs(got.Low-want.Low) > 1e-5 || math.Abs(got.High-want.High) > 1e-5 {
			t.Errorf("at %g V: %v, %t, want %v", volts, got, ok, want)
		}
	}
	if got := heating.Rated(1.65, 26, 28); math.Abs(got-1.776923) > 1e-6 {
		t.Errorf("1.65 A at 26 V is %g A at 28 V", got)
	}
}

func TestAVoltageThatIsNoneSaysNothing(t *testing.T) {
	good := heating.Window{Low: 1, High: 2}
	for _, c := range []struct {
		supply heating.Window
		volts  float64
	}{{good, 0}, {good, -28}, {good, math.NaN()}, {heating.Window{}, 28}} {
		if w, ok := heating.At(good, c.supply, c.volts); ok {
			t.Errorf("%v at %g V: %v", c.supply, c.volts, w)
		}
	}
}

// Within the range of the supply the window at a voltage lies within the window over the range, and grows with the voltage.
func TestAWindowAtAVoltageLiesWithinThatOfTheRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(1, 200).Draw(t, "low")
		supply := heating.Window{Low: low, High: low * rapid.Float64Range(1, 2).Draw(t, "spread")}
		r := rapid.Float64Range(0.1, 1000).Draw(t, "resistance")
		share := rapid.Float64Range(0, 0.4).Draw(t, "tolerance")
		whole := heating.Window{Low: supply.Low / (r * (1 + share)), High: supply.High / (r * (1 - share))}
		volts := low + (supply.High-low)*rapid.Float64Range(0, 1).Draw(t, "at")
		got, ok := heating.At(whole, supply, volts)
		if hair := 1e-9 * whole.High; !ok || got.Low < whole.Low-hair || got.High > whole.High+hair || got.Low > got.High+hair {
			t.Fatalf("%v within %v", got, whole)
		}
	})
}

// Nothing is said where one end of the supply is not above zero, and the least that is above it is enough.
func TestEachEndOfTheSupplyIsAboveZero(t *testing.T) {
	current := heating.Window{Low: 1, High: 2}
	for _, c := range []struct {
		supply heating.Window
		ok     bool
	}{{heating.Window{High: 29}, false}, {heating.Window{Low: 24}, false}, {heating.Window{Low: 0.5, High: 0.5}, true}, {heating.Window{Low: -1, High: 29}, false}} {
		if w, ok := heating.At(current, c.supply, 1); ok != c.ok || ok && w != (heating.Window{Low: 2, High: 4}) {
			t.Errorf("%v: %v, %t", c.supply, w, ok)
		}
	}
}
