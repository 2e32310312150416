package label_test

import (
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/consumables/internal/label"
)

func texts(c label.Content) []string {
	var all []string
	for _, l := range c.Lines {
		all = append(all, l.Text)
	}
	return all
}

func TestOnlyUsableAllowsUse(t *testing.T) {
	for _, state := range []string{"HELD", "EXPIRED", "RECALLED", "DISPOSED", "WATER NOT TESTED", "EMPTIED", "USABLE"} {
		for _, known := range []bool{false, true} {
			c := label.Of(label.Facts{State: state, LifeKnown: known})
			if usable := state == "USABLE" && known; c.Stop == usable || (c.Headline == "USABLE") != usable {
				t.Errorf("%s, life known %t: %q, stop %t", state, known, c.Headline, c.Stop)
			}
			if c.Stop && state != "EMPTIED" && !strings.HasSuffix(c.Headline, "– DO NOT USE") {
				t.Errorf("%s: %q does not forbid use", state, c.Headline)
			}
		}
	}
}

func TestLinesSayWhatIsKnownAndNothingElse(t *testing.T) {
	bare := texts(label.Of(label.Facts{Item: "Water", State: "USABLE", LifeKnown: true, Printed: "now"}))
	if want := []string{"Water", "Use by: no life limit", "Opened: ________________", "No hazard statements are on record. See the safety data sheet.",
		"Printed now · scan before use"}; !slices.Equal(bare, want) {
		t.Errorf("got %q", bare)
	}
	mix := texts(label.Of(label.Facts{
		Item: "Mix", State: "HELD", HoldReason: "spilt", LifeKnown: true, LastUse: "2026-11-25 16:00 UTC", LifeRule: "pot life of 8 hours", Made: "Mixed at eight",
		Parts: []label.Part{{Item: "cleaner", Code: "222223R", Amount: "1 L"}}, Ratio: label.Ratio(6, 1), Hazards: []string{"H319 Irritates"}, Pictograms: []string{"GHS07", "GHS99"},
		HazardsOfParts: true, Printed: "now",
	}))
	if want := []string{
		"Mix", "Why held: spilt", "Use by 2026-11-25 16:00 UTC (pot life of 8 hours)", "Mixed at eight", "6.00 parts of water to 1 part of cleaner, as measured",
		"Of 1 L cleaner 222223R", "Hazards of what it is mixed from: GHS07 exclamation mark · GHS99 · H319 Irritates", "Printed now · scan before use",
	}; !slices.Equal(mix, want) {
		t.Errorf("got %q", mix)
	}
}

// Case M01: 1,622.319336 mL of water to 270.386556 mL of cleaner are six to one; without one of the two there is no ratio.
func TestRatio(t *testing.T) {
	if got := label.Ratio(1622.319336, 270.386556); !strings.HasPrefix(got, "6.00 parts") {
		t.Errorf("got %q", got)
	}
	if label.Ratio(0, 1) != "" || label.Ratio(1, 0) != "" {
		t.Error("a ratio of nothing")
	}
}

func TestMediaAreFoundAndSorted(t *testing.T) {
	for i, m := range label.Media {
		if found, ok := label.Find(m.ID); !ok || found != m {
			t.Errorf("%s is not found", m.ID)
		}
		if i > 0 && m.Width*m.Height < label.Media[i-1].Width*label.Media[i-1].Height {
			t.Errorf("%s is smaller than the one before it", m.ID)
		}
	}
	if _, ok := label.Find("none"); ok {
		t.Error("found what is not there")
	}
}

// A label line by line, what is bold among it, and each pictogram once. Texts are invented, for demonstration only; the names of pictograms are those of
// the GHS, annex 1.
func TestALabelLineByLine(t *testing.T) {
	drawn := func(c label.Content) (all []string) {
		for _, l := range c.Lines {
			if text := l.Text; l.Bold {
				all = append(all, "*"+text)
			} else {
				all = append(all, text)
			}
		}
		return all
	}
	sealed := label.Facts{
		Item: "Cleaner A", PartNumber: "PN-1", Spec: "SPEC 2", Code: "ABCD-1", MakerLot: "L77", State: "USABLE", LastUse: "2027-04-19", LifeRule: "5 years from making", LifeKnown: true,
		Hazards: []string{"H225", "H319"}, Pictograms: []string{"GHS02", "GHS07", "GHS02"}, Signal: ghs.Danger,
		SafetySheet: "SDS 4", Storage: "5 to 25 °C", Demonstration: true, Printed: "2026-11-27",
	}
	mixed := sealed
	mixed.State, mixed.HoldReason, mixed.LifeRule = "HELD", "seal broken", "use by 2027-04-19"
	mixed.Parts, mixed.Made, mixed.Recipe, mixed.Ratio = []label.Part{{"Cleaner A", "ABCD-1", "200 mL"}, {"Water", "", "800 mL"}}, "Mixed 2026-11-27", "R-1", label.Ratio(800, 200)
	mixed.HazardsOfParts, mixed.Signal, mixed.Demonstration, mixed.SafetySheet = true, ghs.None, false, ""
	bare := label.Facts{Item: "Water", State: "USABLE", LifeKnown: true, Opened: "2026-11-01", Printed: "2026-11-27"}
	for name, c := range map[string]struct {
		facts      label.Facts
		headline   string
		stop       bool
		lines      []string
		pictograms []string
	}{
		"sealed": {sealed, "USABLE", false, []string{
			"*Cleaner A", "PN-1 · SPEC 2", "*Lot L77", "*Use by 2027-04-19 (5 years from making)", "Opened: ________________", "5 to 25 °C",
			"*DANGER – Hazards: GHS02 flame · GHS07 exclamation mark · H225 · H319", "Safety data sheet SDS 4",
			"*DEMONSTRATION ONLY – not for use on an engine", "Printed 2026-11-27 · scan before use",
		}, []string{"GHS02", "GHS07"}},
		"mixed and held": {mixed, "HELD – DO NOT USE", true, []string{
			"*Cleaner A", "PN-1 · SPEC 2", "Why held: seal broken", "*Lot L77", "*Use by 2027-04-19", "Mixed 2026-11-27", "Recipe: R-1",
			"*4.00 parts of water to 1 part of cleaner, as measured", "Of 200 mL Cleaner A ABCD-1", "Of 800 mL Water", "5 to 25 °C",
			"*Hazards of what it is mixed from: GHS02 flame · GHS07 exclamation mark · H225 · H319", "Printed 2026-11-27 · scan before use",
		}, []string{"GHS02", "GHS07"}},
		"opened, without hazards or a limit": {bare, "USABLE", false, []string{
			"*Water", "*Use by: no life limit", "Opened 2026-11-01", "No hazard statements are on record. See the safety data sheet.", "Printed 2026-11-27 · scan before use",
		}, nil},
	} {
		got := label.Of(c.facts)
		if lines := drawn(got); got.Headline != c.headline || got.Stop != c.stop || !slices.Equal(lines, c.lines) || !slices.Equal(got.Pictograms, c.pictograms) {
			t.Errorf("%s: %q, %t, %q, %v; want %q", name, got.Headline, got.Stop, strings.Join(lines, "\n"), got.Pictograms, strings.Join(c.lines, "\n"))
		}
	}
}

// Media are as their makers state them (common practice, no source): width and height in millimetres, as PDF pages are measured by.
func TestTheMediaAreOfTheirSize(t *testing.T) {
	if _, ok := label.Find("none"); ok {
		t.Error("a medium that is none is found")
	}
	for id, size := range map[string][2]float64{"62x29": {62, 29}, "89x36": {89, 36}, "100x50": {100, 50}, "105x74": {105, 74}, "100x150": {100, 150}} {
		if got, ok := label.Find(id); !ok || got.ID != id || got.Width != size[0] || got.Height != size[1] || !strings.HasPrefix(got.Name, strings.Replace(id, "x", " mm by ", 1)+" mm") {
			t.Errorf("%s: %+v, %t", id, got, ok)
		}
	}
	if len(label.Media) != 5 {
		t.Errorf("%d media", len(label.Media))
	}
}
