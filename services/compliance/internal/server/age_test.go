package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// Counters that nobody has entered anything to since say their day, in the due list and in the status of a day, also of one in the past.
func TestADueItemSaysTheDayOfItsCounters(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.fly(5)
		flown := w.clock.Now().Format(time.DateOnly)
		says := func(when, text string, want bool) {
			t.Helper()
			if strings.Contains(text, " as of ") != want || want && !strings.Contains(text, "1005:00 h as of "+flown) {
				t.Errorf("%s: %s", when, text)
			}
		}
		says("on the day", w.item("wash").GetExplanation(), false)
		w.clock.Advance(20 * 24 * time.Hour)
		says("20 days later", w.item("wash").GetExplanation(), true)
		status := must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
			Subject: "engines/one", AsOfTime: timestamppb.New(w.clock.Now().Add(-48 * time.Hour)), KnownAtTime: timestamppb.New(w.clock.Now()),
		}))(t)
		if len(status.GetDueItems()) == 0 {
			t.Fatal("nothing is due in the status")
		}
		for _, i := range status.GetDueItems() {
			says("in the status of a day before", i.GetExplanation(), true)
		}
	})
}
