package ghs_test

import (
	"strings"
	"testing"

	"coldsection.example/services/consumables/internal/ghs"
)

// UN GHS 1.4.10.5.3.1 (number from memory): the graver pictogram makes the exclamation mark needless, and no other.
func TestAGraverPictogramMakesTheExclamationMarkNeedless(t *testing.T) {
	for _, c := range []struct{ given, statements, want string }{
		{"GHS06 GHS07", "H301 Toxic if swallowed;H319 Causes serious eye irritation", "GHS06"},
		{"GHS06 GHS07", "", "GHS06"},
		{"GHS05 GHS07", "H314 Causes severe skin burns and eye damage;H315 Causes skin irritation", "GHS05"},
		{"GHS05 GHS07", "H318 Causes serious eye damage;H302 Harmful if swallowed;H315 Causes skin irritation", "GHS05 GHS07"},
		{"GHS05 GHS07", "H290 May be corrosive to metals;H319 Causes serious eye irritation", "GHS05 GHS07"},
		{"GHS07 GHS08", "H334 May cause allergy or asthma symptoms if inhaled;H317 May cause an allergic skin reaction", "GHS08"},
		{"GHS07 GHS08", "H334 May cause allergy or asthma symptoms if inhaled;H336 May cause drowsiness", "GHS07 GHS08"},
		{"GHS07 GHS08", "H351 Suspected of causing cancer;H319 Causes serious eye irritation", "GHS07 GHS08"},
		{"GHS02 GHS07", "H225 Highly flammable;H319 Causes serious eye irritation", "GHS02 GHS07"},
		{"GHS05 GHS07", "", "GHS05 GHS07"},
	} {
		if got := strings.Join(ghs.Precedence(strings.Fields(c.given), strings.Split(c.statements, ";")), " "); got != c.want {
			t.Errorf("%s with %q: %s, want %s", c.given, c.statements, got, c.want)
		}
	}
}
