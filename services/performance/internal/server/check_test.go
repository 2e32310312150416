package server_test

import (
	"bytes"
	"strings"
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// check is a check of some hours ago, after the change of flyPair.
func check(cause string, result performancev1.EngineEvent_CheckResult, hours int) *performancev1.CreateEngineEventRequest {
	return &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
		Kind: performancev1.EngineEvent_CHECK, EventTime: stampAt(hours), CheckedCause: cause, CheckResult: result, Note: "demonstration only",
	}}
}

func causeOf(t *testing.T, s *performancev1.Shift, name string) *performancev1.Cause {
	t.Helper()
	for _, c := range s.GetCauses() {
		if c.GetCause() == name {
			return c
		}
	}
	t.Fatalf("%s is no cause of %v", name, s)
	return nil
}

// The simulated engine leaks 0.85 or 0.8 % of its air, which the readings alone don't tell from a worn hot section. A hot section that was
// found sound settles the larger leak, and a valve that was found leaking the smaller one; a sound harness settles neither.
func TestACheckSettlesWhatReadingsCannotTell(t *testing.T) {
	const sound, faulty = performancev1.EngineEvent_SOUND, performancev1.EngineEvent_FAULTY
	for _, c := range []struct {
		leak    float64
		cause   string
		result  performancev1.EngineEvent_CheckResult
		verdict string
	}{
		{0.0085, "hot_section", sound, "named"}, {0.008, "bleed_leak", faulty, "named"}, {0.006, "itt_indication", sound, "cannot_tell"},
	} {
		benches(t, func(t *testing.T, b bench) {
			b.withModel(nil)
			b.flyPair(0, c.leak)
			before := b.shift()
			if before.GetVerdict() != "cannot_tell" || before.GetCauses()[0].GetCause() != "bleed_leak" {
				t.Fatalf("%+v: %v", c, before)
			}
			proposed := causeOf(t, before, c.cause).GetNextCheck()
			of(b.CreateEngineEvent(b.as("technician"), check(c.cause, c.result, 90*24))).done(t) // before the change: says nothing of it
			if s := b.shift(); len(s.GetSteps()) != len(before.GetSteps()) || causeOf(t, s, c.cause).GetNextCheck() != proposed {
				t.Errorf("%+v: %v", c, s)
			}
			used := b.used()
			of(b.CreateEngineEvent(b.as("technician"), check(c.cause, c.result, 24))).done(t)
			s := b.shift()
			if s.GetVerdict() != c.verdict || s.GetCauses()[0].GetCause() != "bleed_leak" || b.used() != used {
				t.Errorf("%+v: %v", c, s)
			}
			last := s.GetSteps()[len(s.GetSteps())-1]
			if last.GetVerdict() != c.verdict || !strings.Contains(last.GetEvidence(), c.cause) || len(s.GetSteps()) != len(before.GetSteps())+1 {
				t.Errorf("%+v: %v", c, last)
			}
			for _, x := range s.GetCauses() { // what was ruled out may be too improbable to be told
				if x.GetCause() == c.cause && (x.GetNextCheck() == proposed || !strings.Contains(x.GetNextCheck(), "2026-09-06") ||
					!says(append(x.GetSupportingEvidence(), x.GetOpposingEvidence()...), "2026-09-06")) {
					t.Errorf("%+v: %v", c, x)
				}
			}
			drawn := of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName})).done(t)
			if !bytes.Contains(drawn.GetContent(), []byte("C check")) {
				t.Error("the chart has no mark of the check")
			}
		})
	}
}

func TestChecksThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		wash := check("fouling", performancev1.EngineEvent_SOUND, 1)
		wash.EngineEvent.Kind = performancev1.EngineEvent_RECOVERY_WASH
		for _, req := range []*performancev1.CreateEngineEventRequest{
			wash, check("weather", performancev1.EngineEvent_SOUND, 1), check("", performancev1.EngineEvent_SOUND, 1), check("fouling", performancev1.EngineEvent_CHECK_RESULT_UNSPECIFIED, 1),
		} {
			of(b.CreateEngineEvent(b.as("technician"), req)).refused(t, "CHECK_INCOMPLETE")
		}
		if list := of(b.ListEngineEvents(b.as("viewer"), &performancev1.ListEngineEventsRequest{Parent: engineName})).done(t).GetEngineEvents(); len(list) != 0 {
			t.Errorf("%v", list)
		}
	})
}
