package server_test

import (
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// How the causes of a change were weighed is kept: at its detection first, and in order of time; the newest step is what is
// said now.
func TestTheCausesOfAChangeAreKeptOverTime(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 160, noise: 1, dirt: func(int) float64 { return 0 }, wear: func(day int) float64 { return max(0, float64(day-80)) * 0.0005 }})
		now := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		if len(now.GetShifts()) == 0 {
			t.Fatal("no change was found")
		}
		for _, s := range now.GetShifts() {
			steps := s.GetSteps()
			if len(steps) == 0 || !steps[0].GetStepTime().AsTime().Equal(s.GetDetectTime().AsTime()) || steps[len(steps)-1].GetVerdict() != s.GetVerdict() {
				t.Fatalf("%v", s)
			}
			for i, x := range steps {
				if len(x.GetCauses()) == 0 || x.GetEvidence() == "" || i > 0 && !x.GetStepTime().AsTime().After(steps[i-1].GetStepTime().AsTime()) {
					t.Errorf("step %d: %v", i, x)
				}
			}
		}
	})
}
