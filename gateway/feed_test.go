package gateway_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/limits"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/outbox"
)

func TestAFollowerStartsWithASnapshotAndMissesNothing(t *testing.T) {
	w := newWorld(t)
	w.happen("stockMovements/m", "f1", "f2")
	_, place, _ := w.rest("GET", "/v1/events:locate", w.admin, "")
	if place["oldestCursor"] != fmt.Sprintf("%020d", 0) || place["newestCursor"] != fmt.Sprintf("%020d", 2) {
		t.Fatalf("%v", place)
	}
	w.happen("stockMovements/m", "f3")
	_, after, _ := w.rest("GET", fmt.Sprintf("/v1/events?after=%v", place["newestCursor"]), w.admin, "")
	if events, _ := after["events"].([]any); len(events) != 1 || after["nextCursor"] != fmt.Sprintf("%020d", 3) {
		t.Errorf("%v", after)
	}
}

// The members are those of CloudEvents 1.0, JSON format, section 4.
func TestTheFeedIsACloudEventsBatchToWhoAsksForOne(t *testing.T) {
	w := newWorld(t)
	w.happen("lots/a", "f1")
	w.happen("engines/b", "f2")
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.http.URL+"/v1/events?subject=lots/*", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+w.admin)
	req.Header.Set("Accept", "application/cloudevents-batch+json")
	status, text, header := w.send(req)
	var events []map[string]any
	if err := json.Unmarshal([]byte(text), &events); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	if status != 200 || header.Get("Content-Type") != "application/cloudevents-batch+json" || header.Get("Next-Cursor") != fmt.Sprintf("%020d", 2) {
		t.Errorf("%d %v", status, header)
	}
	if len(events) != 1 || events[0]["specversion"] != "1.0" || events[0]["id"] != "f1" || events[0]["time"] != "2026-03-01T08:00:00Z" ||
		events[0]["source"] != "/coldsection/consumables" || events[0]["sequence"] != fmt.Sprintf("%020d", 1) || events[0]["datacontenttype"] != "application/json" {
		t.Errorf("%s", text)
	}
	if data, _ := events[0]["data"].(map[string]any); data["movement"] != "f1" {
		t.Errorf("%s", text)
	}
}

// An event of the feed is in the trace of its fact in every form that the feed has, and in none where the fact has none.
func TestTheFeedSaysTheTraceOfAFact(t *testing.T) {
	const trace = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01" // the example of W3C Trace Context
	w := newWorld(t)
	e := outbox.New("f1", start, "consumables", "coldsection.stock.issued.v1", "lots/a", &consumablesv1.StockMoved{})
	e.Version, e.TraceParent = 1, trace
	if err := w.bus.Publish(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	w.happen("lots/b", "f2")
	said := map[string][]any{}
	_, page, _ := w.rest("GET", "/v1/events", w.admin, "")
	for _, event := range page["events"].([]any) {
		said["page"] = append(said["page"], event.(map[string]any)["traceparent"])
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.http.URL+"/v1/events", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+w.admin)
	req.Header.Set("Accept", "application/cloudevents-batch+json")
	_, text, _ := w.send(req)
	var batch []map[string]any
	if err := json.Unmarshal([]byte(text), &batch); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	for _, event := range batch {
		said["batch"] = append(said["batch"], event["traceparent"])
	}
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(w.as(w.admin), &accessv1.WatchEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		answer, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		said["stream"] = append(said["stream"], answer.GetEvent().GetTraceparent())
	}
	for form, none := range map[string]any{"page": "", "batch": nil, "stream": ""} {
		if !slices.Equal(said[form], []any{trace, none}) {
			t.Errorf("the %s says %q, want %q and %v", form, said[form], trace, none)
		}
	}
}

// Check EVT-03: pages of the feed while 500 facts are written by five writers.
func TestTheFeedIsWalkedWhileFactsAreWritten(t *testing.T) {
	const writers, each = 5, 100
	w := newWorld(t)
	var writing sync.WaitGroup
	for n := range writers {
		writing.Go(func() {
			for i := range each {
				e := outbox.New(fmt.Sprintf("w%d-%03d", n, i), start, "consumables", "coldsection.stock.issued.v1", fmt.Sprintf("lots/%d", n),
					&consumablesv1.StockMoved{})
				e.Version = int64(i + 1)
				if err := w.bus.Publish(t.Context(), e); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	erp := w.program("erp", "integrator")
	client := accessv1.NewEventsServiceClient(w.conn)
	seen, last, cursor := map[string]bool{}, map[string]int64{}, ""
	for len(seen) < writers*each && !t.Failed() {
		page, err := client.ListEvents(w.as(w.admin), &accessv1.ListEventsRequest{After: cursor, PageSize: 37})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.GetEvents() {
			if seen[e.GetId()] || e.GetSubjectVersion() != last[e.GetSubject()]+1 {
				t.Fatalf("%s of %s came after version %d", e.GetId(), e.GetSubject(), last[e.GetSubject()])
			}
			seen[e.GetId()], last[e.GetSubject()] = true, e.GetSubjectVersion()
		}
		cursor = page.GetNextCursor()
	}
	writing.Wait()
	w.clock.Advance(30 * 24 * time.Hour) // a cursor does not age; only the stream's own retention ends it
	const half = writers * each / 2
	page, err := client.ListEvents(w.as(erp), &accessv1.ListEventsRequest{After: fmt.Sprintf("%020d", half), PageSize: 1000})
	events := page.GetEvents()
	if err != nil || len(events) != writers*each-half || page.GetNextCursor() != fmt.Sprintf("%020d", writers*each) {
		t.Fatalf("after a month %d facts follow the cursor of the middle, then %s, %v", len(events), page.GetNextCursor(), err)
	}
	for i, e := range events {
		if want := fmt.Sprintf("%020d", half+1+i); e.GetSequence() != want || !seen[e.GetId()] {
			t.Errorf("%s stands at %s, want %s", e.GetId(), e.GetSequence(), want)
		}
	}
}

// watch opens a stream as somebody and waits for its first fact.
func (w *world) watch(token string) grpc.ServerStreamingClient[accessv1.WatchEventsResponse] {
	w.t.Helper()
	ctx, stop := context.WithCancel(w.as(token))
	w.t.Cleanup(stop)
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		w.t.Fatal(err)
	}
	return stream
}

func TestAStreamEndsWithWhatLetItIn(t *testing.T) {
	for what, c := range map[string]struct {
		end    func(w *world)
		reason string
	}{
		"the account was disabled": {func(w *world) { w.rest("POST", "/v1/accounts/vera:disable", w.admin, "{}") }, "CREDENTIALS_WRONG"},
		"the role was taken away": {func(w *world) {
			w.rest("PATCH", "/v1/accounts/vera?updateMask=roles", w.admin, `{"roles":["technician"]}`)
		}, "ROLE_MISSING"},
	} {
		t.Run(what, func(t *testing.T) {
			w := newWorld(t)
			w.happen("lots/a", "f1")
			stream := w.watch(w.hire("vera", "viewer"))
			c.end(w)
			w.clock.Advance(5 * time.Second)
			if _, err := stream.Recv(); reasonOf(err) != c.reason {
				t.Errorf("%v, want %s", err, c.reason)
			}
			w.checkAudit("accounts/vera coldsection.access.v1.EventsService/WatchEvents  OPENED")
		})
	}
}

// An account has so many streams open at once; one more is refused, and let in when another ended. Others are not held up.
func TestAnAccountHasSoManyStreamsOpen(t *testing.T) {
	w := newWorld(t)
	w.happen("lots/a", "f1")
	vera := w.hire("vera", "viewer")
	open := func(token string) (stop func(), err error) {
		ctx, cancel := context.WithCancel(w.as(token))
		t.Cleanup(cancel)
		stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{})
		if err == nil {
			_, err = stream.Recv()
		}
		return cancel, err
	}
	var first func()
	for i := range limits.MostStreams {
		stop, err := open(vera)
		if err != nil {
			t.Fatalf("stream %d: %v", i+1, err)
		}
		if first == nil {
			first = stop
		}
	}
	if _, err := open(vera); reasonOf(err) != "TOO_MANY_STREAMS" {
		t.Errorf("one more: %v", err)
	}
	if _, err := open(w.admin); err != nil {
		t.Errorf("another account: %v", err)
	}
	first()
	for deadline := clock.System().After(time.Minute); ; {
		_, err := open(vera)
		if err == nil {
			break
		}
		select {
		case <-deadline:
			t.Fatalf("after one ended: %v", err)
		case <-clock.System().After(10 * time.Millisecond):
		}
	}
}

func TestBadTokensAreInTheAudit(t *testing.T) {
	w := newWorld(t)
	w.rest("GET", "/v1/items/a", "css_stolen", "")
	items := consumablesv1.NewConsumablesQueryServiceClient(w.conn)
	if _, err := items.GetItem(w.as("css_stolen"), &consumablesv1.GetItemRequest{Name: "items/b"}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("%v", err)
	}
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(w.as("css_stolen"), &accessv1.WatchEventsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	if reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("%v", err)
	}
	w.checkAudit(" HTTP GET /v1/items/a CREDENTIALS_WRONG", " coldsection.consumables.v1.ConsumablesQueryService/GetItem items/b CREDENTIALS_WRONG",
		" coldsection.access.v1.EventsService/WatchEvents  CREDENTIALS_WRONG")
}

// checkAudit fails unless the audit has these lines.
func (w *world) checkAudit(want ...string) {
	w.t.Helper()
	list, err := accessv1.NewAccessQueryServiceClient(w.conn).ListAuditEvents(w.as(w.admin), &accessv1.ListAuditEventsRequest{PageSize: 1000})
	if err != nil {
		w.t.Fatal(err)
	}
	var lines []string
	for _, e := range list.GetAuditEvents() {
		lines = append(lines, strings.Join([]string{e.GetAccount(), e.GetMethod(), e.GetTarget(), e.GetOutcome()}, " "))
	}
	for _, line := range want {
		if !slices.Contains(lines, line) {
			w.t.Errorf("%q is missing from\n%s", line, strings.Join(lines, "\n"))
		}
	}
}
