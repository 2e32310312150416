package main

import (
	"bytes"
	"strings"
	"testing"
)

// known is a small truth that the score can be worked out from by hand.
func known() truth {
	return truth{
		Engines: []engineTruth{
			{Serial: "A", Fault: "none", Washes: []washTruth{{Time: "2026-01-10T19:00:00+00:00", ITT: -5, Ng: -0.2, Fuel: -0.4}}},
			{Serial: "B", Fault: "itt_bias", Onset: "2026-02-01"},
			{Serial: "C", Fault: "hot_section", Onset: "2026-02-01"},
			{Serial: "D", Fault: "fouling_fast", Onset: "2026-02-01"},
			{Serial: "E", Fault: "torque_bias", Onset: "2026-02-01"},
		},
		Mistakes: []mistake{{"A", "2026-01-02T08:00Z", "oat_fahrenheit"}, {"A", "2026-01-03T08:00Z", "ng_missing"}},
	}
}

func TestTheScoreByHand(t *testing.T) {
	r := report{ReadingsTotal: 102, Engines: []engineReport{
		{Serial: "A", Advices: []advice{{Reason: "trend"}, {Reason: "programme"}}, Recoveries: []recovery{{
			Time: "2026-01-10T19:00:00Z", ITT: &interval{-4, -6, -2}, Ng: &interval{0, -0.1, 0.1}, Fuel: &interval{-0.4, -0.4, -0.4},
		}}},
		{Serial: "B", Shifts: []shift{
			{Time: "2026-01-31T00:00:00Z", Verdict: "named", Cause: "fouling"}, // before the onset: not judged
			{Time: "2026-03-18T00:00:00Z", Verdict: "named", Cause: "itt_indication"},
		}},
		{Serial: "C", Shifts: []shift{{Time: "2026-05-31T00:00:00Z", Verdict: "named", Cause: "bleed_leak", Steps: []causeStep{
			{Verdict: "named", Candidates: []candidate{{"bleed_leak", 0.9}}}, {Verdict: "named", Candidates: []candidate{{"hot_section", 0.9}}},
		}}}},
		{Serial: "D"},
	}, Held: []held{{Serial: "A", Time: "2026-01-02T08:00Z"}, {Serial: "A", Time: "2026-01-09T08:00Z"}}}
	s := score(r, known())
	for _, c := range []struct {
		what      string
		got, want any
	}{
		{"healthy engines", s.healthy, 1}, {"false advices", s.falseAdvices, 1}, {"advised", s.advised, share{0, 1}},
		{"a step one day inside, one not flagged", s.steps, share{1, 2}}, {"a ramp on day 119", s.ramps, share{1, 1}}, {"honest", s.honest, share{1, 2}},
		{"firmly wrong", s.wrong, share{1, 2}}, {"firmly wrong at last", s.lastWrong, share{0, 1}}, {"named at last", s.lastNamed, share{1, 1}},
		{"ITT", s.itt, share{1, 1}}, {"Ng", s.ng, share{0, 1}}, {"fuel flow", s.fuel, share{1, 1}},
		{"caught", s.caught, share{1, 2}}, {"rejected", s.rejected, share{1, 100}}, {"without an interval", s.unmeasured, 0},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	var out bytes.Buffer
	if err := s.writeTo(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Logging mistakes caught: 1 of 2 (50.0 %)", "E torque_bias: not flagged", "C hot_section: flagged after 119 days"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing in\n%s", want, &out)
		}
	}
}

func TestASuiteThatSaysNothingScoresNothing(t *testing.T) {
	s := score(report{ReadingsTotal: 10}, known())
	if s.steps != (share{0, 2}) || s.ramps != (share{0, 1}) || s.unmeasured != 1 || s.caught != (share{0, 2}) || s.itt.of != 0 {
		t.Errorf("%+v", s)
	}
}
