package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// revise makes the next revision of a requirement of one field or more.
func (w *world) revise(id string, change func(*compliancev1.Requirement), fields ...string) {
	w.t.Helper()
	r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/" + id}))(w.t)
	change(r)
	must(w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r, UpdateMask: &fieldmaskpb.FieldMask{Paths: fields}}))(w.t)
}

func TestARevisionThatPermitsLessCutsAnExtension(t *testing.T) {
	const cut, passed = "coldsection.compliance.extension.reduced.v1", "coldsection.compliance.due.passed.v1"
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		must(w.extend("wash", extension(8), "quality"))(t)
		w.fly(15)
		before, facts := w.clock.Now(), w.rows("SELECT COUNT(*) FROM outbox WHERE type = $1", passed)
		w.clock.Advance(time.Hour)
		w.revise("wash", func(r *compliancev1.Requirement) { r.Tolerance.OperatingSeconds = 6 * 3600 }, "tolerance")
		got := w.item("wash")
		const words = "The extension under Programme 1.4 is cut: 8:00 h were granted, 6:00 h are permitted now."
		if got.GetBand() != compliancev1.DueItem_IN_TOLERANCE || got.GetExtension().GetOperatingSeconds() != 6*3600 || !strings.Contains(got.GetExplanation(), words) ||
			!strings.Contains(got.GetExplanation(), "extended by 6:00 h to 1016:00 h") {
			t.Errorf("5 h past with 6 h of 8 h left: %s, %s", got.GetBand(), got.GetExplanation())
		}
		if n := w.rows("SELECT COUNT(*) FROM outbox WHERE type = $1", cut); n != 1 {
			t.Errorf("%d facts of the cut", n)
		}
		w.clock.Advance(time.Hour)
		w.revise("wash", func(r *compliancev1.Requirement) { r.Tolerance.OperatingSeconds = 4 * 3600 }, "tolerance")
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_OVERDUE || got.GetExtension().GetOperatingSeconds() != 4*3600 {
			t.Errorf("5 h past with 4 h of 8 h left: %s, %v", got.GetBand(), got.GetExtension())
		}
		if n := w.rows("SELECT COUNT(*) FROM due_items WHERE name = 'dueItems/wash.one' AND band = 'OVERDUE'"); n != 1 {
			t.Error("the row says something else than the item")
		}
		if n := w.rows("SELECT COUNT(*) FROM outbox WHERE type = $1", passed) - facts; n != 1 {
			t.Errorf("%d facts that it is past", n)
		}
		then := must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
			Subject: "engines/one", AsOfTime: timestamppb.New(before), KnownAtTime: timestamppb.New(before),
		}))(t)
		if items := then.GetDueItems(); len(items) != 1 || items[0].GetBand() != compliancev1.DueItem_IN_TOLERANCE || items[0].GetExtension().GetOperatingSeconds() != 8*3600 {
			t.Errorf("as it was known before the revisions: %v", then.GetDueItems())
		}
		w.revise("wash", func(r *compliancev1.Requirement) { r.Tolerance.OperatingSeconds = 20 * 3600 }, "tolerance")
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_IN_TOLERANCE || got.GetExtension().GetCutReason() != "" ||
			got.GetExtension().GetOperatingSeconds() != 8*3600 {
			t.Errorf("permitted again, and never more than was granted: %s, %v", got.GetBand(), got.GetExtension())
		}
	})
}

func TestARequirementThatIsNeverExtendedAnyMoreEndsItsExtensions(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		must(w.extend("wash", extension(8), "quality"))(t)
		w.fly(15)
		for _, c := range []struct {
			change func(*compliancev1.Requirement)
			fields []string
			words  string
		}{
			{func(r *compliancev1.Requirement) { r.Tolerance = nil }, []string{"tolerance"}, "8:00 h were granted, 0:00 h are permitted now."},
			{func(r *compliancev1.Requirement) { r.Kind = compliancev1.Requirement_DIRECTIVE }, []string{"kind"}, "is cut: a directive is never extended."},
		} {
			w.revise("wash", c.change, c.fields...)
			if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_OVERDUE || got.GetExtension().GetOperatingSeconds() != 0 ||
				!strings.Contains(got.GetExplanation(), c.words) {
				t.Errorf("%v: %s, %s", c.fields, got.GetBand(), got.GetExplanation())
			}
			list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: "band = OVERDUE"}))(t)
			if items := list.GetDueItems(); len(items) != 1 || !strings.Contains(items[0].GetExplanation(), c.words) {
				t.Errorf("%v: the list says %v", c.fields, list.GetDueItems())
			}
		}
		w.clock.Advance(19 * 24 * time.Hour)
		list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{}))(t)
		if e := list.GetDueItems()[0].GetExtension(); e != nil {
			t.Errorf("after its last day there is no extension to cut: %v", e)
		}
	})
}
