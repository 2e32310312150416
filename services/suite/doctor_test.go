package suite

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
)

// Fault D8: the doctor names the fact that waits longest, why, and since when.
func TestTheDoctorNamesTheFactThatWaitsLongest(t *testing.T) {
	if said := ofParked(0, nil); said != "" {
		t.Errorf("nothing waits: %q", said)
	}
	since := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	fact := &operationsv1.ParkedFact{Name: "parkedFacts/workorders-f1", Reason: "not yet: no order", ParkTime: timestamppb.New(since)}
	const want = "parkedFacts/workorders-f1 could not take effect: not yet: no order. It waits since 2026-03-01T08:00:00Z, and is the oldest of 3. See coldsection list parkedFacts."
	if said := ofParked(3, fact); said != want {
		t.Errorf("said %q, want %q", said, want)
	}
}
