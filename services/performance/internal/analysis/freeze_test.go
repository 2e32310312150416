package analysis_test

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/performance/internal/analysis"
)

// Readings that come one import after the other, the tracker kept in between, say what all at once say.
func TestGoingOnIsAsGoodAsBeginningAnew(t *testing.T) {
	m := model(t)
	readings, events := lived()
	want, _ := analysis.AnalyseFrom(m, readings, events, analysis.Rules{})
	rapid.Check(t, func(t *rapid.T) {
		kept := rapid.IntRange(310, life-1).Draw(t, "kept") // after the last wash
		first, tracker := analysis.AnalyseFrom(m, readings[:kept], events, analysis.Rules{})
		shifts, advices := first.Shifts, first.Advices
		for at := kept; at < life; {
			end := min(life, at+rapid.IntRange(1, 40).Draw(t, "more"))
			body, err := tracker.Freeze()
			if err != nil {
				t.Fatal(err)
			}
			if tracker, err = analysis.Thaw(body); err != nil || !tracker.Follows(readings[at].At) || tracker.Follows(readings[at-1].At) {
				t.Fatalf("thawed %v", err)
			}
			r := tracker.Continue(m, readings[at:end])
			if !reflect.DeepEqual(r.Verdicts, want.Verdicts[at:end]) {
				t.Fatalf("verdicts of %d to %d differ", at, end)
			}
			shifts, advices = r.Shifts, append(advices, r.Advices...)
			if at = end; at == life && (r.Level != want.Level || r.Slope != want.Slope || r.Used != want.Used || !r.Last.Equal(want.Last)) {
				t.Errorf("%+v, want %+v", without(r), without(want))
			}
		}
		if len(shifts) != len(want.Shifts) || len(advices) != len(want.Advices) || !reflect.DeepEqual(shifts[0].Causes, want.Shifts[0].Causes) {
			t.Errorf("shifts %+v, want %+v", shifts, want.Shifts)
		}
	})
}

func TestWhatIsNoTrackerIsNotThawed(t *testing.T) {
	for _, text := range []string{"", "tracker"} {
		if _, err := analysis.Thaw([]byte(text)); err == nil {
			t.Errorf("%q was thawed", text)
		}
	}
}
