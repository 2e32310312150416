package cycle

import "testing"

// The signs that hold for all maps of the handbook's study: eng-s1 to eng-s8, at 60 to 90 % power. The sign of Ng for fouling
// holds for this ratio of flow to efficiency only, and a bleed leak leaves Ng nearly alone.
func TestSignsOfTheCauses(t *testing.T) {
	for _, d := range Demonstration() {
		e, err := New(d)
		if err != nil {
			t.Fatal(err)
		}
		for _, share := range []float64{0.6, 0.9} {
			causes, err := e.Causes(Standard(0, 0, 0), share*e.DesignPower())
			if err != nil {
				t.Fatal(err)
			}
			by := map[string]Signature{}
			for _, c := range causes {
				by[c.Name] = c.Signature
			}
			for name, s := range map[string]struct{ itt, ng, fuel float64 }{
				"fouling": {1, 1, 1}, "hot_section": {1, -1, 1}, "bleed_leak": {1, 0, 1}, "torque_indication": {-1, -1, -1}, "power_turbine": {1, 1, 1}, "inlet": {1, 1, 1},
				"combustion": {0, 0, 1}, "itt_indication": {1, 0, 0}, "fuel_flow_indication": {0, 0, 1}, "ng_indication": {0, 1, 0},
			} {
				got, found := by[name]
				if !found || !sign(got.ITT, s.itt, 0.5) || !sign(got.Ng, s.ng, 0.15) || !sign(got.Fuel, s.fuel, 0.05) {
					t.Errorf("%s at %.0f %%: %s is %+v", d.Name, 100*share, name, got)
				}
			}
		}
	}
}

// sign says whether v has a sign, or is small when that is 0.
func sign(v, want, small float64) bool {
	if want == 0 {
		return v > -small && v < small
	}
	return v*want > 0
}
