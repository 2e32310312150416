package exceedance

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/platform/fault"
)

// box is a zone from a duration and a value up to the chart's ends.
func box(id string, severity int, duration, value float64) Zone {
	return Zone{
		ID: id, Severity: severity, Action: "invented action " + id, Document: "Demonstration only, revision 1",
		Corners: []Vertex{{duration, value}, {600, value}, {600, 1000}, {duration, 1000}},
	}
}

// chart is invented: over 805 for 20 s is A, over 830 for 3 s is B, over 870 at all is C.
func chart() *Chart {
	return &Chart{Zones: []Zone{box("A", 1, 20, 805), box("B", 2, 3, 830), box("C", 3, 0, 870)}, Reset: 5, Gap: 10}
}

var start = []Sample{{0, 760}, {4, 800}, {6, 840}, {9, 840}, {12, 790}, {20, 780}}

// Linear crossings of a trace, worked out by hand and in Python.
func TestTimeAbove(t *testing.T) {
	for _, c := range []struct{ level, want float64 }{{805, 6.85}, {830, 4.1}, {840, 3}, {841, 0}, {700, 20}} {
		if got, err := TimeAbove(start, c.level, 60); err != nil || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("over %g for %g s, want %g (%v)", c.level, got, c.want, err)
		}
	}
}

func TestTheZoneOfAStart(t *testing.T) {
	events, err := chart().Judge(start)
	if err != nil || len(events) != 1 {
		t.Fatal(events, err)
	}
	e := events[0]
	if e.Peak != 840 || e.PeakAt != 6 || math.Abs(e.Duration-6.85) > 1e-9 || math.Abs(e.Longest-6.85) > 1e-9 || e.Interval != 3 {
		t.Errorf("%+v", e)
	}
	if chart().Zones[e.Zone].ID != "B" || e.Beyond || len(e.Gaps) != 0 {
		t.Errorf("%+v", e)
	}
}

// A trace that is cut off while it is hot says at least how long the event lasted: it may meet every zone that reaches down to its peak.
// A recorder that ran full at 825 °C must not make a short event of a long one.
func TestATraceThatIsCutOffSaysAtLeast(t *testing.T) {
	whole := []Sample{{0, 700}, {1, 825}, {3, 825}, {4, 700}}
	for name, c := range map[string]struct {
		trace []Sample
		worst string
	}{
		"whole": {whole, ""}, "no beginning": {whole[1:], "A"}, "no end": {whole[:3], "A"}, "one sample": {whole[1:2], "A"}, "hotter": {[]Sample{{0, 850}, {1, 700}}, "B"},
		"begins at the limit": {[]Sample{{0, 805}, {1, 700}}, "A"}, "begins under it": {[]Sample{{0, 804.9}, {1, 825}, {2, 700}}, ""},
	} {
		events, err := chart().Judge(c.trace)
		if err != nil || len(events) != 1 {
			t.Fatal(name, events, err)
		}
		e, cut := events[0], c.worst != ""
		if e.Zone >= 0 || e.Cut != cut || e.AtLeast() != cut || cut != (e.WorstZone >= 0) || cut && chart().Zones[e.WorstZone].ID != c.worst {
			t.Errorf("%s: %+v", name, e)
		}
		if words := e.Words(chart()); strings.Contains(words, "at least") != cut || strings.Contains(words, "begins or ends at or over 805") != cut {
			t.Errorf("%s: %s", name, words)
		}
	}
}

// hold is a trace that stays at a value for a while.
func hold(value, duration float64) []Sample {
	return []Sample{{0, 700}, {0.001, value}, {0.001 + duration, value}, {0.002 + duration, 700}}
}

func TestZonesAndTheirBoundaries(t *testing.T) {
	wide := chart()
	wide.Gap = 100
	for name, c := range map[string]struct {
		trace  []Sample
		zone   string
		beyond bool
	}{
		"long and low":                 {hold(806, 25), "A", false},
		"long, low and a short peak":   {append(hold(806, 19), Sample{10, 832}, Sample{9, 806}, Sample{11, 806}), "", false},
		"just long enough for A":       {hold(805, 20), "A", false},
		"not quite long enough":        {hold(805, 19.9), "", false},
		"the seam of B and C":          {hold(870, 3), "C", false},
		"the lower edge of C, at once": {[]Sample{{0, 700}, {1, 870}, {2, 700}}, "C", false},
		"B by its corner":              {hold(830, 3), "B", false},
		"hotter than the chart":        {hold(1001, 1), "C", true},
		"a single sample":              {[]Sample{{0, 880}}, "C", false},
		"a single sample in the free":  {[]Sample{{0, 840}}, "", false},
	} {
		events, err := wide.Judge(c.trace)
		if err != nil || len(events) != 1 {
			t.Errorf("%s: %+v (%v)", name, events, err)
			continue
		}
		got := ""
		if events[0].Zone >= 0 {
			got = wide.Zones[events[0].Zone].ID
		}
		if got != c.zone || events[0].Beyond != c.beyond {
			t.Errorf("%s: zone %q, beyond %v: %+v", name, got, events[0].Beyond, events[0])
		}
	}
	if events, err := wide.Judge([]Sample{{0, 700}, {10, 804.9}, {20, 700}}); err != nil || len(events) != 0 {
		t.Errorf("under every zone: %+v (%v)", events, err)
	}
	long := chart()
	long.Gap = 1000
	if events, err := long.Judge(hold(806, 700)); err != nil || len(events) != 1 || !events[0].Beyond {
		t.Errorf("longer than the chart: %+v (%v)", events, err)
	}
}

func TestEventsAndGaps(t *testing.T) {
	c := chart()
	twice := []Sample{{0, 700}, {1, 840}, {2, 700}, {4, 700}, {5, 840}, {6, 700}, {30, 700}, {31, 840}, {32, 700}}
	events, err := c.Judge(twice)
	if err != nil || len(events) != 2 || events[0].Samples != 4 || math.Abs(events[0].Duration-2*events[0].Longest) > 1e-9 {
		t.Errorf("two excursions 3 s apart and one later: %+v (%v)", events, err)
	}
	hole := []Sample{{0, 700}, {1, 840}, {2, 840}, {40, 840}, {41, 700}}
	events, err = c.Judge(hole)
	if err != nil || len(events) != 1 {
		t.Fatal(events, err)
	}
	e := events[0]
	if len(e.Gaps) != 1 || e.Gaps[0] != (Gap{2, 40}) || e.Duration > 3 || e.Zone != -1 || c.Zones[e.WorstZone].ID != "B" {
		t.Errorf("a gap of 38 s: %+v", e)
	}
}

// The bounds themselves: a time without samples as long as the chart allows is no gap, an event as long and as hot as the chart goes is not
// beyond it, and of zones that are equally severe the first that was met stays.
func TestTheBoundsThemselves(t *testing.T) {
	c := chart()
	for between, gaps := range map[float64]int{10: 0, 10.1: 1} {
		events, err := c.Judge([]Sample{{0, 700}, {1, 840}, {1 + between, 840}, {2 + between, 700}})
		if err != nil || len(events) != 1 || len(events[0].Gaps) != gaps || events[0].AtLeast() != (gaps > 0) {
			t.Errorf("%g s without samples: %+v (%v)", between, events, err)
		}
	}
	long := chart()
	long.Gap = 1000
	for name, x := range map[string]struct {
		seconds, value float64
		beyond         bool
	}{"as long as the chart": {600, 805, false}, "longer": {601, 805, true}, "as hot as the chart": {1, 1000, false}, "hotter": {1, 1000.1, true}} {
		events, err := long.Judge([]Sample{{0, x.value}, {x.seconds, x.value}})
		if err != nil || len(events) != 1 || events[0].Beyond != x.beyond {
			t.Errorf("%s: %+v (%v)", name, events, err)
		}
	}
	equal := &Chart{Zones: []Zone{box("A", 1, 0, 805), box("B", 1, 0, 850), box("C", 2, 0, 870)}}
	for _, x := range [][3]int{{0, 1, 0}, {1, 0, 1}, {0, 2, 2}, {2, 0, 2}, {-1, 1, 1}, {1, -1, 1}, {-1, -1, -1}} {
		if got := equal.Severer(x[0], x[1]); got != x[2] {
			t.Errorf("of %d and %d the severer is %d, want %d", x[0], x[1], got, x[2])
		}
	}
}

func TestOrderAndRepetitionChangeNothing(t *testing.T) {
	want, err := chart().Judge(start)
	if err != nil {
		t.Fatal(err)
	}
	mixed := append(slices.Clone(start), start[2], start[0])
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
	got, err := chart().Judge(mixed)
	if err != nil || len(got) != 1 || got[0].Zone != want[0].Zone || got[0].Duration != want[0].Duration || got[0].Samples != want[0].Samples {
		t.Errorf("%+v, want %+v (%v)", got, want, err)
	}
}

// A hotter or longer trace never comes out in a milder zone.
func TestWorseIsNeverMilder(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	c := chart()
	c.Reset = 100 // one event, or stretching it would part its excursions
	severity := func(trace []Sample) int {
		worst := 0
		events, err := c.Judge(trace)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events {
			if e.Zone >= 0 {
				worst = max(worst, c.Zones[e.Zone].Severity)
			}
		}
		return worst
	}
	met := map[int]bool{}
	for range 300 {
		var trace, hotter, longer []Sample
		for i := range 12 {
			v := 780 + 40*random.Float64() + 60*random.Float64()*float64(random.IntN(2))
			at := float64(i) * 3
			trace, hotter, longer = append(trace, Sample{at, v}), append(hotter, Sample{at, v + 7}), append(longer, Sample{at * 1.4, v})
		}
		met[severity(trace)] = true
		if severity(hotter) < severity(trace) || severity(longer) < severity(trace) {
			t.Fatalf("%v: %d, hotter %d, longer %d", trace, severity(trace), severity(hotter), severity(longer))
		}
	}
	if len(met) < 3 {
		t.Errorf("the traces met only the severities %v", met)
	}
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		spoil  func(*Chart)
		trace  []Sample
		reason string
	}{
		"no zones":       {func(c *Chart) { c.Zones = nil }, start, "EXCEEDANCE_CHART_INVALID"},
		"no gap":         {func(c *Chart) { c.Gap = 0 }, start, "EXCEEDANCE_CHART_INVALID"},
		"twice the name": {func(c *Chart) { c.Zones[1].ID = "A" }, start, "EXCEEDANCE_CHART_INVALID"},
		"no document":    {func(c *Chart) { c.Zones[1].Document = "" }, start, "DOCUMENT_MISSING"},
		"no action":      {func(c *Chart) { c.Zones[1].Action = "" }, start, "DOCUMENT_MISSING"},
		"two corners":    {func(c *Chart) { c.Zones[1].Corners = c.Zones[1].Corners[:2] }, start, "EXCEEDANCE_CHART_INVALID"},
		"no area":        {func(c *Chart) { c.Zones[1].Corners = []Vertex{{0, 1}, {1, 2}, {2, 3}} }, start, "EXCEEDANCE_CHART_INVALID"},
		"NaN corner":     {func(c *Chart) { c.Zones[1].Corners[0].Value = math.NaN() }, start, "EXCEEDANCE_CHART_INVALID"},
		"no trace":       {func(*Chart) {}, nil, "TRACE_INVALID"},
		"NaN":            {func(*Chart) {}, []Sample{{0, math.NaN()}}, "TRACE_INVALID"},
		"infinite time":  {func(*Chart) {}, []Sample{{math.Inf(1), 800}}, "TRACE_INVALID"},
		"two values":     {func(*Chart) {}, []Sample{{0, 800}, {1, 820}, {1, 830}}, "TRACE_AMBIGUOUS"},
	} {
		x := chart()
		c.spoil(x)
		if events, err := x.Judge(c.trace); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %+v, %v", name, events, err)
		}
	}
	if _, err := TimeAbove(start, math.NaN(), 5); !fault.HasReason(err, "TRACE_INVALID") {
		t.Error(err)
	}
}

func FuzzNothingInfiniteComesOut(f *testing.F) {
	f.Add(0.0, 700.0, 5.0, 880.0, 9.0, 700.0, 805.0, 20.0)
	f.Add(0.0, 1e9, 1e-300, -1e9, math.Inf(1), math.NaN(), 830.0, 0.0)
	f.Fuzz(func(t *testing.T, t1, v1, t2, v2, t3, v3, value, duration float64) {
		c := Chart{Zones: []Zone{box("A", 1, duration, value), box("C", 3, 0, 870)}, Reset: duration, Gap: 10}
		trace := []Sample{{t1, v1}, {t2, v2}, {t3, v3}}
		above, _ := TimeAbove(trace, value, 10)
		events, _ := c.Judge(trace)
		values := []float64{above}
		for _, e := range events {
			values = append(values, e.Start, e.End, e.Peak, e.PeakAt, e.Duration, e.Longest, e.Interval)
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v", events)
			}
		}
	})
}
