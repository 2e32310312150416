package ghs_test

import (
	"fmt"
	"math"
	"testing"

	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/platform/fault"
)

// The words are those of CLP 1272/2008, annex I: H225 tables 2.6.2, H319 table 3.3.4, H290 table 2.16.2, H411 has none; H272 stands for
// two categories (table 2.13.2, 2.14.2); from memory but H225 and H226, which the stores handbook quotes.
func TestSignalWords(t *testing.T) {
	for _, c := range []struct {
		entered    ghs.Word
		statements []string
		want       ghs.Word
		reason     string
	}{
		{ghs.None, []string{"H226 Flammable liquid and vapour", "H319 Causes serious eye irritation"}, ghs.Warning, ""},
		{ghs.None, []string{"H319 Causes serious eye irritation", "H225 Highly flammable liquid and vapour"}, ghs.Danger, ""},
		{ghs.None, []string{"H302 + H332 Harmful if swallowed or if inhaled"}, ghs.Warning, ""}, {ghs.None, []string{"H301+H311 Toxic"}, ghs.Danger, ""},
		{ghs.None, []string{"H411 Toxic to aquatic life with long lasting effects"}, ghs.None, ""}, {ghs.None, []string{"EUH066 Repeated exposure"}, ghs.None, ""},
		{ghs.None, nil, ghs.None, ""}, {ghs.None, []string{"H360FD May damage fertility"}, ghs.Danger, ""},
		{ghs.Danger, []string{"H319 Causes serious eye irritation"}, 0, "SIGNAL_WORD_WRONG"}, {ghs.Warning, []string{"H225 Highly flammable"}, 0, "SIGNAL_WORD_WRONG"},
		{ghs.Warning, nil, 0, "SIGNAL_WORD_WRONG"}, {ghs.None, []string{"H272 May intensify fire; oxidizer"}, 0, "SIGNAL_WORD_NEEDED"},
		{ghs.Warning, []string{"H272 May intensify fire; oxidizer"}, ghs.Warning, ""}, {ghs.Warning, []string{"H272 May", "H314 Burns"}, 0, "SIGNAL_WORD_WRONG"},
	} {
		got, err := ghs.Settle(c.entered, c.statements)
		if got != c.want || (err == nil) != (c.reason == "") || err != nil && !fault.HasReason(err, c.reason) {
			t.Errorf("%v with %q: %q (%v), want %q %s", c.statements, c.entered, got, err, c.want, c.reason)
		}
	}
}

// Every symbol lies within the white of the frame, and no two are the same.
func TestPictograms(t *testing.T) {
	seen := map[string]string{}
	for i := 1; i <= 9; i++ {
		code := fmt.Sprintf("GHS0%d", i)
		shapes := ghs.Pictogram(code)
		if len(shapes) < 4 || shapes[0].Ink != ghs.Red || shapes[1].Ink != ghs.White {
			t.Fatalf("%s: %v", code, shapes)
		}
		for _, s := range shapes[2:] {
			for _, p := range s.Points {
				if s.Ink == ghs.Black && math.Abs(p.X-50)+math.Abs(p.Y-50) > 43 {
					t.Errorf("%s: %v lies on the frame", code, p)
				}
			}
		}
		drawn := fmt.Sprint(shapes)
		if same := seen[drawn]; same != "" {
			t.Errorf("%s looks like %s", code, same)
		}
		seen[drawn] = code
	}
	if ghs.Pictogram("GHS10") != nil {
		t.Error("a pictogram that does not exist")
	}
}
