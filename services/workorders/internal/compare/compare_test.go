package compare_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/compare"
)

var morning = time.Date(2026, 3, 14, 8, 0, 0, 0, time.UTC)

// faultless is an order that was done as planned: four wash runs, a soak, two rinse runs.
func faultless() compare.Order {
	o := compare.Order{
		PlanStart: morning, Start: morning.Add(10 * time.Minute), Assignees: []string{"people/ann"}, Performers: []string{"people/ann"}, WashRuns: 4, RinseRuns: 2,
		Soak: 12 * time.Minute, StarterUse: 6 * 27 * time.Second, Pressure: 262, PressureMeasured: 260, PressureReading: "m1",
		Volumes:  []compare.Volume{{Label: "Solution", Planned: 2000, Done: 1990}, {Label: "Rinse", Planned: 2000, Done: 2040}},
		Readings: []compare.Reading{{Name: "m2", Label: "Insulation", Value: "20 MOhm", Limits: "5 to any MOhm", LimitsMet: true}},
	}
	at := morning.Add(time.Hour)
	for i := range 6 {
		if i == 4 {
			at = at.Add(11 * time.Minute)
		}
		o.Runs = append(o.Runs, compare.Run{Name: string(rune('a' + i)), Start: at, End: at.Add(27 * time.Second)})
		at = at.Add(87 * time.Second)
	}
	o.Drying = compare.Drying{Planned: true, Length: 2 * time.Minute, Limit: time.Hour}
	o.Runs = append(o.Runs, compare.Run{Name: "dry", Start: at, End: at.Add(2 * time.Minute), Drying: true})
	return o
}

// changes are ways in which work departs from its plan, each by its topic; none has another one in its wake.
var changes = map[string]func(o *compare.Order){
	"start":  func(o *compare.Order) { o.Start = o.PlanStart.Add(-31 * time.Minute) },
	"people": func(o *compare.Order) { o.Performers = append(o.Performers, "people/bob") },
	"volume": func(o *compare.Order) { o.Volumes[1].Done = 1950 },
	"rework": func(o *compare.Order) {
		o.Reworked = []compare.Rework{{Step: "s6", Label: "6 Record the solution used", Lot: "lots/l1", Millilitres: 2000, Why: "spilt"}}
	},
	"pressure":    func(o *compare.Order) { o.PressureMeasured = 240 },
	"reading":     func(o *compare.Order) { o.Readings[0].LimitsMet = false },
	"step":        func(o *compare.Order) { o.NotDone = []compare.Step{{Name: "s3", State: "OMITTED", Why: "no part"}} },
	"run":         func(o *compare.Order) { o.Runs[5].Exceedance = "started 10s too early" },
	"starter_use": func(o *compare.Order) { o.Runs[5].End = o.Runs[5].End.Add(11 * time.Second) },
	"drying":      func(o *compare.Order) { o.Runs[6].End = o.Runs[6].End.Add(-time.Second) },
	"soak":        func(o *compare.Order) { o.Soak = 16 * time.Minute },
}

// Whatever departs from the plan is told, each once, and nothing else.
func TestExactlyWhatDiffersIsTold(t *testing.T) {
	if got := compare.Differences(compare.Compare(faultless())); len(got) != 0 {
		t.Fatalf("done as planned: %+v", got)
	}
	topics := []string{"start", "people", "volume", "rework", "pressure", "reading", "step", "run", "starter_use", "soak", "drying"}
	rapid.Check(t, func(t *rapid.T) {
		o := faultless()
		var want []string
		for _, topic := range topics {
			if rapid.Bool().Draw(t, topic) {
				changes[topic](&o)
				want = append(want, topic)
			}
		}
		var got []string
		for _, l := range compare.Differences(compare.Compare(o)) {
			got = append(got, l.Topic)
			if l.Label == "" && l.Topic != "step" || l.Planned == "" || l.Done == "" {
				t.Errorf("%+v", l)
			}
		}
		slices.Sort(want)
		if slices.Sort(got); !slices.Equal(got, want) {
			t.Errorf("told %v, want %v", got, want)
		}
	})
}

// A missing run is one difference, not three; one that was broken off and made again is the broken one only.
func TestAMissingAndABrokenRun(t *testing.T) {
	o := faultless()
	o.Runs = slices.Delete(o.Runs, 5, 6)
	if got := compare.Differences(compare.Compare(o)); len(got) != 1 || got[0].Topic != "runs" || got[0].Planned != "6" || got[0].Done != "5" {
		t.Errorf("missing: %+v", got)
	}
	o = faultless()
	broken := compare.Run{Name: "z", Start: morning.Add(30 * time.Minute), End: morning.Add(30*time.Minute + 4*time.Second), Aborted: true}
	o.Runs = append([]compare.Run{broken}, o.Runs...)
	if got := compare.Differences(compare.Compare(o)); len(got) != 1 || got[0].Subject != "z" {
		t.Errorf("broken off: %+v", got)
	}
}

// A drying run counts when it was whole, came after the last wetting, in time, and ran as long as planned; a longer one is no difference.
func TestTheDryingRun(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(o *compare.Order)
		differs []string // what the differences say was done
	}{
		"longer": {func(o *compare.Order) { o.Runs[6].End = o.Runs[6].End.Add(time.Hour) }, nil},
		"paper":  {func(o *compare.Order) { o.Runs[6].Paper = true }, nil},
		"late": {func(o *compare.Order) {
			o.Runs[6].Start, o.Runs[6].End = o.Runs[6].Start.Add(time.Hour), o.Runs[6].End.Add(time.Hour)
		}, []string{"1h1m0s after the last wetting, 2m0s"}},
		"none":       {func(o *compare.Order) { o.Runs = o.Runs[:6] }, []string{"none"}},
		"broken off": {func(o *compare.Order) { o.Runs[6].Aborted = true }, []string{"2m0s, broken off", "none"}},
		"once more": {func(o *compare.Order) {
			again := o.Runs[6]
			again.Start, again.End = again.End.Add(time.Minute), again.End.Add(3*time.Minute)
			o.Runs[6].End = o.Runs[6].End.Add(-time.Second)
			o.Runs = append(o.Runs, again)
		}, []string{"1m59s"}},
		"wet again": {func(o *compare.Order) {
			dry, rinse := o.Runs[6], o.Runs[5]
			dry.Start, dry.End = rinse.Start, rinse.Start.Add(2*time.Minute)
			rinse.Start, rinse.End = dry.End.Add(time.Minute), dry.End.Add(87*time.Second)
			o.Runs[5], o.Runs[6] = dry, rinse
		}, []string{"none"}},
	} {
		o := faultless()
		c.change(&o)
		var done []string
		for _, l := range compare.Differences(compare.Compare(o)) {
			done = append(done, l.Done)
		}
		if !slices.Equal(done, c.differs) {
			t.Errorf("%s: %q, want %q", name, done, c.differs)
		}
	}
}

// An order without plan, times or people is compared in its readings and steps only.
func TestAnOrderWithoutPlan(t *testing.T) {
	if got := compare.Compare(compare.Order{Runs: faultless().Runs}); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}
