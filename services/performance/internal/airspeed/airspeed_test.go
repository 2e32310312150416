package airspeed

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Phases as logs name them; the heights are in feet.
func TestAnAirspeedThatNobodyRead(t *testing.T) {
	const foot = 0.3048
	for _, c := range []struct {
		phase  string
		feet   float64
		atRest bool
	}{
		{"ground run", 500, true},
		{"Ground Run (cruise power)", 500, true},
		{"GND IDLE", 13_000, true}, // the highest aerodromes are there
		{"static run-up", 0, true},
		{"TEST CELL", 1000, true},
		{"engine run after wash", 1000, true},
		{"take-off", 8000, true},
		{"TAKEOFF", 8000, true},
		{"start", 8000, true},
		{"hover", 12_000, true},
		{"", 1000, true}, // as it always was
		{"", 9900, true},
		{"power check", 9900, true},
		{"cruise", 500, false}, // however low
		{"CRUISE", 14_000, false},
		{"stabilised cruising flight", 500, false},
		{"standard cruise", 2000, false}, // no "test stand"
		{"cruise after wash", 2000, false},
		{"CRZ", 8000, false},
		{"climb after take-off", 2000, false},
		{"start of climb", 2000, false},
		{"en-route", 2000, false},
		{"Descent", 2000, false},
		{"DES", 2000, false},
		{"level flight", 2000, false},
		{"in flight", 2000, false},
		{"FL: flight level 120", 2000, false},
		{"", 10_100, false},
		{"power check", 14_000, false},
		{"ground run", 16_000, false}, // no aerodrome is as high
		{"take-off", 16_000, false},
	} {
		if got := AtRest(c.phase, c.feet*foot); got != c.atRest {
			t.Errorf("%q at %.0f ft: %v", c.phase, c.feet, got)
		}
	}
}

func TestAnAirspeedOf0(t *testing.T) {
	for _, c := range []struct {
		phase    string
		altitude float64
		believed bool
	}{
		{"", 4000, true}, {"ground run", 100, true}, {"hover", 3500, true}, {"climb", 3500, true}, {"ground run, cruise power", 100, true},
		{"cruise", 100, false}, {"CRZ", 3000, false}, {"en route", 3000, false}, {"", 5000, false}, {"ground run", 5000, false},
	} {
		if got := Believed(c.phase, c.altitude); got != c.believed {
			t.Errorf("%q at %.0f m: %v", c.phase, c.altitude, got)
		}
	}
}

// Case, signs between words and what stands around them change nothing, and what is at rest at a height is at rest below it.
func TestSpellingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.SampledFrom([]string{"ground", "run", "cruise", "climb", "take", "off", "start", "power", "check", "level"}), 0, 4).Draw(t, "words")
		height := rapid.Float64Range(-500, 13_000).Draw(t, "height")
		as := AtRest(strings.Join(words, " "), height)
		dressed := rapid.SampledFrom([]string{"-", "_", " / ", ", ", "2 "}).Draw(t, "between")
		if got := AtRest("("+strings.ToUpper(strings.Join(words, dressed))+") 1.", height); got != as {
			t.Errorf("%v, and %v as %q", as, got, strings.Join(words, dressed))
		}
		if as && !AtRest(strings.Join(words, " "), height-rapid.Float64Range(0, 5000).Draw(t, "lower")) {
			t.Error("not at rest further down")
		}
	})
}

// The heights belong to what is taken: 4,711 m to what may be an aerodrome, 3,048 m (10,000 ft) to what is taken to be one.
func TestTheHeightsThemselves(t *testing.T) {
	const hair = 1e-6
	for _, c := range []struct {
		phase    string
		altitude float64
		atRest   bool
		believed bool
	}{
		{"ground run", 4711, true, true}, {"ground run", 4711 + hair, false, false}, {"hover", 4711, true, true}, {"hover", 4711 + hair, false, false},
		{"", 3048, true, true}, {"", 3048 + hair, false, true}, {"power check", 4711, false, true}, {"", -500, true, true},
	} {
		if got := AtRest(c.phase, c.altitude); got != c.atRest {
			t.Errorf("%q at %f m at rest: %v", c.phase, c.altitude, got)
		}
		if got := Believed(c.phase, c.altitude); got != c.believed {
			t.Errorf("0 kt of %q at %f m believed: %v", c.phase, c.altitude, got)
		}
	}
}
