package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// answers are everything that is asked of an instant as it was known at another: the status of an engine and of its aircraft, with what is due, the
// lives of their parts and their directives in it, and the evidence of a requirement.
type answers struct {
	engine, plane *compliancev1.ComplianceStatus
	evidence      *compliancev1.FindEvidenceResponse
}

func (w *world) answers(at, known time.Time) answers {
	w.t.Helper()
	return answers{w.then("engines/one", at, known), w.then("aircraft/plane", at, known), w.evidence(w.as("quality"), at, known)}
}

func (a answers) equal(b answers) bool {
	return proto.Equal(a.engine, b.engine) && proto.Equal(a.plane, b.plane) && proto.Equal(a.evidence, b.evidence)
}

// flight is a flight of days ago.
func (w *world) flight(daysBack int, seconds int64) *compliancev1.Utilization {
	return &compliancev1.Utilization{FlightDate: day(w.clock.Now().AddDate(0, 0, -daysBack)), FlownSeconds: seconds, Cycles: 1, Starts: 1, Landings: 2}
}

// backDated enters something that belongs to days before: a flight, the correction of one, or work that was done. It gives the seconds by which it
// changes what was flown through the evening before last.
func (w *world) backDated(t *rapid.T, first *compliancev1.Utilization) (seconds int64, now *compliancev1.Utilization) {
	hours := rapid.Int64Range(1, 6).Draw(t, "hours") * 1800
	switch rapid.SampledFrom([]string{"late", "corrected", "done"}).Draw(t, "what") {
	case "late":
		must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{
			Parent: "aircraft/plane", Utilization: w.flight(rapid.IntRange(3, 5).Draw(t, "days back"), hours),
		}))(w.t)
		return hours, first
	case "corrected":
		right := proto.CloneOf(first)
		right.Name, right.Corrects, right.Reason, right.FlownSeconds = "", first.GetName(), "misread", hours
		right = must(w.commands.CreateUtilization(w.as("quality"), &compliancev1.CreateUtilizationRequest{
			Parent: "aircraft/plane", ReauthenticationToken: w.proof(), Utilization: right,
		}))(w.t)
		return hours - first.GetFlownSeconds(), right
	default:
		w.done("wash", 900+rapid.Int64Range(1, 90).Draw(t, "at"), day(w.clock.Now().AddDate(0, 0, -rapid.IntRange(3, 20).Draw(t, "days back"))))
		return 0, first
	}
}

// Check QUA-01 by draw, on both engines: status, what is due, lives and evidence of an instant as it was known then are the same before and after
// something is entered for days before it, and asked again; as it is known after, the counters differ by just what was entered. The due list of a day
// is what the status at the end of that day says, as it is known now.
func TestAnswersDifferOnlyInWhatIsKnown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.lifeLimit("demo", 15000, on(2020, 1, 1))
		w.disc("d1", 1375, stay(0, 1375, 1200, 1900))
		w.clock.Advance(30 * 24 * time.Hour)
		if err := w.put("d1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		first := must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: w.flight(6, 7200)}))(t)
		n := 0
		rapid.Check(t, func(r *rapid.T) {
			if n++; n > 6 {
				return // every draw leaves its entries in the store
			}
			w.clock.Advance(time.Hour)
			then := w.clock.Now()
			before := w.answers(then, then)
			w.clock.Advance(time.Hour)
			var seconds int64
			seconds, first = w.backDated(r, first)
			now := w.clock.Now()
			if after := w.answers(then, then); !before.equal(after) {
				r.Fatalf("as it was known then it was\n%v\nand is\n%v", before, after)
			}
			known := w.answers(then, now)
			if again := w.answers(then, now); !known.equal(again) {
				r.Fatalf("asked twice:\n%v\n%v", known, again)
			}
			if got := known.engine.GetCounters().GetOperatingSeconds() - before.engine.GetCounters().GetOperatingSeconds(); got != seconds {
				r.Fatalf("%d s more are known of, and %d s were entered", got, seconds)
			}
			if len(known.engine.GetLifeStatuses()) != 1 || len(known.evidence.GetEvidences()) == 0 {
				r.Fatalf("no life or no evidence to compare: %v", known)
			}
			w.sameList(r, now)
		})
	})
}

// sameList compares the due list of the day before yesterday with the status at its end.
func (w *world) sameList(t *rapid.T, now time.Time) {
	evening := now.AddDate(0, 0, -1).Truncate(24 * time.Hour).Add(-time.Nanosecond)
	list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{AsOfDate: day(evening), Filter: "subject = engines/one"}))(w.t)
	status := must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
		Subject: "engines/one", AsOfTime: timestamppb.New(evening), KnownAtTime: timestamppb.New(now),
	}))(w.t)
	if len(list.GetDueItems()) == 0 || len(list.GetDueItems()) != len(status.GetDueItems()) {
		t.Fatalf("listed %v, and the status says %v", list, status.GetDueItems())
	}
	for i, item := range list.GetDueItems() {
		other := status.GetDueItems()[i]
		if item.GetName() != other.GetName() || item.GetBand() != other.GetBand() || item.GetExplanation() != other.GetExplanation() {
			t.Fatalf("listed\n%v\nand the status says\n%v", item, other)
		}
	}
}
