package gateway_test

import (
	"fmt"
	"sync"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// An accounting system asks what waits, answers, and compares totals, over REST with its API key.
func TestAnAccountingSystemAcknowledgesAndReconciles(t *testing.T) {
	w := newWorld(t)
	erp := w.hire("erp", "integrator")
	w.happen("stockMovements/a", "f1", "f2")
	_, list, _ := w.rest("GET", "/v1/postings?filter=state%3DWAITING", erp, "")
	if waiting, _ := list["postings"].([]any); len(waiting) != 2 {
		t.Errorf("%v", list)
	}
	status, p, _ := w.rest("POST", "/v1/postings/f1:acknowledge", erp, `{"document":"4711"}`)
	if status != 200 || p["state"] != "POSTED" {
		t.Errorf("%d %v", status, p)
	}
	status, problem, _ := w.rest("POST", "/v1/postings:batchAcknowledge", erp,
		`{"requests":[{"name":"postings/f2","document":"1"},{"name":"postings/f1","document":"2"}]}`)
	if status != 400 || problem["reason"] != "POSTING_ACKNOWLEDGED" {
		t.Errorf("%d %v", status, problem)
	}
	_, counts, _ := w.rest("GET", "/v1/postings:reconcile?startDate.year=2026&startDate.month=3&startDate.day=1", erp, "")
	lines, _ := counts["lines"].([]any)
	if len(lines) != 1 {
		t.Fatalf("%v", counts)
	}
	line, _ := lines[0].(map[string]any)
	if line["postedCount"] != "1" || line["waitingCount"] != "1" || line["eventType"] != "coldsection.stock.issued.v1" {
		t.Errorf("after a batch of which nothing counts: %v", line)
	}
	if status, totals, _ := w.rest("GET", "/v1/postings:total?startDate.year=2026&startDate.month=3&startDate.day=1", erp, ""); status != 200 || totals["cursor"] == "" {
		t.Errorf("%d %v", status, totals)
	}
	planner := w.hire("vera", "planner")
	if status, problem, _ := w.rest("POST", "/v1/postings/f2:acknowledge", planner, `{"document":"1"}`); status != 403 || problem["reason"] != "ROLE_MISSING" {
		t.Errorf("a planner: %d %v", status, problem)
	}
	reader := accessv1.NewPostingsQueryServiceClient(w.conn)
	if got, err := reader.GetPosting(w.as(planner), &accessv1.GetPostingRequest{Name: "postings/f1"}); err != nil || len(got.GetAcknowledgements()) != 1 {
		t.Errorf("%v, %v", got, err)
	}
}

// Totals are of exactly the facts up to the cursor that is told with them, also while facts come in: here every fact is booked, so that there are
// as many as the cursor says.
func TestTotalsAreOfTheCursorThatIsTold(t *testing.T) {
	const count = 120
	w := newWorld(t)
	var writing sync.WaitGroup
	writing.Go(func() {
		for i := range count {
			w.tell(fmt.Sprintf("f%03d", i), "coldsection.stock.issued.v1")
		}
	})
	day := &date.Date{Year: 2026, Month: 3, Day: 1}
	reader, ctx := accessv1.NewPostingsQueryServiceClient(w.conn), w.as(w.hire("erp", "integrator"))
	for counted := int64(0); counted < count && !t.Failed(); {
		var asking sync.WaitGroup
		for range 3 { // one that comes first takes facts for the others, too
			asking.Go(func() {
				answer, err := reader.TotalPostings(ctx, &accessv1.TotalPostingsRequest{StartDate: day})
				if err != nil {
					t.Error(err)
					return
				}
				if n := totalOf(answer.GetLines()); answer.GetCursor() != fmt.Sprintf("%020d", n) {
					t.Errorf("%d postings up to %s", n, answer.GetCursor())
				}
			})
		}
		asking.Wait()
		answer, err := reader.ReconcilePostings(ctx, &accessv1.ReconcilePostingsRequest{StartDate: day})
		if err != nil {
			t.Fatal(err)
		}
		if counted = waitingOf(answer.GetLines()); answer.GetCursor() != fmt.Sprintf("%020d", counted) {
			t.Errorf("%d postings up to %s", counted, answer.GetCursor())
		}
	}
	writing.Wait()
}

func totalOf(lines []*accessv1.TotalPostingsResponse_Line) (n int64) {
	for _, l := range lines {
		n += l.GetPostingCount()
	}
	return n
}

func waitingOf(lines []*accessv1.ReconcilePostingsResponse_Line) (n int64) {
	for _, l := range lines {
		n += l.GetWaitingCount()
	}
	return n
}
