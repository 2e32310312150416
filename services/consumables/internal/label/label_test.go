package label_test

import (
	"slices"
	"strings"
	"testing"

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
