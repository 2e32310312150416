package chart

import (
	"bytes"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// hot is an invented start with a gap of 15 s: its times over 805, 830 and 870 °C are worked out by hand from its straight lines.
func hot() Zones {
	box := func(duration, value float64) []Corner {
		return []Corner{{duration, value}, {600, value}, {600, 1000}, {duration, 1000}}
	}
	return Zones{
		Model: "Demonstration turboprop, revision 1", Chart: "Chart itt-start (start), from Start chart (demonstration only) revision A", Demonstration: true,
		Cautions: []string{"The approved maintenance data decide.", "Do not fly the engine before a licensed person has signed."}, Parameter: "ITT", Unit: "°C", Gap: 10,
		Trace: []Sample{{0, 760}, {4, 800}, {6, 840}, {9, 840}, {12, 790}, {20, 780}, {35, 770}, {40, 765}},
		Zones: []Zone{{"A", "invented action A", 805, box(20, 805)}, {"B", "invented action B", 830, box(3, 830)}, {"C", "invented action C", 870, box(0, 870)}},
		Events: []Stay{{
			AtLeast: true, Start: 4.25, End: 11.1, Peak: 840, PeakAt: 6, Curve: []Corner{{6.85, 805}, {3, 840}, {0, 840}}, Worst: []Corner{{6.85, 805}, {3, 840}, {0, 840}},
			InZones: []float64{6.85, 4.1, 0}, Words: "The highest sample is 840.",
		}},
	}
}

func TestATraceStopsWhereSamplesAreMissing(t *testing.T) {
	drawing := SVG(hot())
	drawn, texts := shapes(t, drawing)
	count := map[string]int{}
	for _, s := range drawn {
		count[s.class]++
	}
	for class, want := range map[string]int{"used": 8, "trace": 2, "gap": 2, "limit": 3, "zone": 3, "edge": 3, "event": 1, "curve": 1, "worst": 1} {
		if count[class] != want {
			t.Errorf("%d of %q, want %d", count[class], class, want)
		}
	}
	all := strings.Join(texts, "\n")
	for _, want := range []string{
		"Exceedance by the chart of Demonstration turboprop, revision 1", "DEMONSTRATION ONLY", "Start chart (demonstration only) revision A", "ITT, °C, over time", "A from 805 °C",
		"C from 870 °C", "840", "A 6.85 s (from 805 °C), B 4.1 s (from 830 °C), C 0 s", "Zone C asks for, in the document's words: invented action C", "no samples",
	} {
		if !strings.Contains(strings.ReplaceAll(all, "\n", " "), want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if caution, panel := strings.Index(all, "The approved maintenance data"), strings.Index(all, "over time"); caution < 0 || caution > panel {
		t.Error("the cautions do not come first")
	}
	if w := hot().Words(); !strings.HasPrefix(w, "The approved maintenance data decide.") || !strings.Contains(w, "at least: A 6.85 s") {
		t.Errorf("%q", w)
	}
}

func TestAPictureOfATraceUnderEveryZoneSaysSo(t *testing.T) {
	z := hot()
	z.Events, z.Trace = nil, []Sample{{5, 700}}
	_, texts := shapes(t, SVG(z))
	if all := strings.Join(texts, " "); !strings.Contains(all, "No sample reaches the lowest value of any zone, 805 °C.") {
		t.Errorf("%q", all)
	}
}

func TestTheZonesAsAPNG(t *testing.T) {
	picture, err := PNG(hot())
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(picture))
	if err != nil || img.Bounds().Dx() != width*dots {
		t.Fatalf("%v, %v", img.Bounds(), err)
	}
	if dir := os.Getenv("COLDSECTION_TEST_WRITE_CHART"); dir != "" { // to look at it
		if err := os.WriteFile(filepath.Join(dir, "zones.png"), picture, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// Many zones with long actions make no picture without end, and what is left out is said.
func TestAPictureStaysOfASize(t *testing.T) {
	z := hot()
	z.More = 7
	for i := range 60 {
		z.Zones = append(z.Zones, Zone{fmt.Sprint("Z", i), strings.Repeat("invented action ", 60), 880 + float64(i), []Corner{{0, 880}, {9, 880}, {9, 990}}})
		z.Events[0].InZones = append(z.Events[0].InZones, 0)
	}
	_, texts := shapes(t, SVG(z))
	all := strings.Join(texts, " ")
	for _, want := range []string{"7 more events, none of them severer, are not drawn.", "There is more to say than fits here"} {
		if !strings.Contains(all, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	picture, err := PNG(z)
	if err != nil {
		t.Fatal(err)
	}
	if size, err := png.DecodeConfig(bytes.NewReader(picture)); err != nil || size.Height > 3500 {
		t.Errorf("%d pixels high, %v", size.Height, err)
	}
}

// Whatever lies where, what is drawn of a zone lies within the scales, and nothing is no number.
func TestAZoneIsCutToItsScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		corner := rapid.Custom(func(t *rapid.T) Corner {
			return Corner{rapid.Float64Range(0, 1e9).Draw(t, "s"), rapid.Float64Range(-1e9, 1e9).Draw(t, "value")}
		})
		area := rapid.SliceOfN(corner, 3, 12).Draw(t, "area")
		x, y := over(0, rapid.Float64Range(1, 1e9).Draw(t, "x")), over(rapid.Float64Range(-1e9, 1e9).Draw(t, "a"), rapid.Float64Range(-1e9, 1e9).Draw(t, "b"))
		room := 1e-6 * (math.Abs(x.high) + math.Abs(y.low) + math.Abs(y.high))
		for _, v := range clipped(area, x, y) {
			if !(v.Duration >= x.low-room && v.Duration <= x.high+room && v.Value >= y.low-room && v.Value <= y.high+room) {
				t.Fatalf("%v of %v lies outside %v and %v", v, area, x, y)
			}
		}
	})
}

// Half of a square, cut by hand.
func TestWhatIsCutOfASquare(t *testing.T) {
	got := clipped([]Corner{{0, 0}, {10, 0}, {10, 10}, {0, 10}}, scale{low: 0, high: 5}, scale{low: 4, high: 20})
	area := 0.0
	for i, a := range got {
		b := got[(i+1)%len(got)]
		area += a.Duration*b.Value - b.Duration*a.Value
	}
	if math.Abs(math.Abs(area)/2-30) > 1e-9 {
		t.Errorf("%v has the area %g, want 30", got, area/2)
	}
}
