package gateway_test

import (
	"fmt"
	"net/http"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// An instance that ends answers whoever waits, at once and well, and ends streams with the place to go on from: each held its end up for ten seconds.
func TestNobodyWhoWaitsHoldsUpTheEnd(t *testing.T) {
	w := newWorld(t)
	w.happen("lots/a", "f1")
	stream := w.watch(w.admin)
	type answer struct {
		status int
		page   map[string]any
	}
	answered := make(chan answer, 2)
	for _, query := range []string{"after=00000000000000000001&wait=30s", "wait=30s&subject=lots/none"} {
		go func() {
			code, page, _ := w.rest("GET", "/v1/events?"+query, w.admin, "")
			answered <- answer{code, page}
		}()
	}
	w.gw.Drain()
	for range 2 {
		if a := <-answered; a.status != http.StatusOK || a.page["nextCursor"] != fmt.Sprintf("%020d", 1) {
			t.Errorf("%+v", a)
		}
	}
	_, err := stream.Recv()
	over, _ := fault.As(rpc.FromStatus(err))
	if status.Code(err) != codes.Unavailable || reasonOf(err) != "INSTANCE_ENDS" || over.Metadata["next_cursor"] != fmt.Sprintf("%020d", 1) {
		t.Errorf("%v", err)
	}
	if _, err := accessv1.NewEventsServiceClient(w.conn).ListEvents(w.as(w.admin), &accessv1.ListEventsRequest{}); err != nil {
		t.Errorf("a call that does not wait: %v", err)
	}
}

// Whoever loses a role while a stream is open, and still may have one, opens it anew: what it shows was decided by the role.
func TestAStreamEndsWhenARoleIsTakenThatItDoesNotNeed(t *testing.T) {
	w := newWorld(t)
	w.happen("lots/a", "f1")
	stream := w.watch(w.hire("ines", "integrator", "viewer"))
	w.rest("PATCH", "/v1/accounts/ines?updateMask=roles", w.admin, `{"roles":["viewer"]}`)
	w.tell("f2", "coldsection.access.webhook.disabled.v1")
	if got, err := stream.Recv(); err == nil && got.GetEvent().GetId() != "f2" {
		t.Errorf("%v", got)
	}
	w.clock.Advance(5e9)
	for {
		if _, err := stream.Recv(); err != nil {
			if reasonOf(err) != "RIGHTS_CHANGED" {
				t.Errorf("%v", err)
			}
			return
		}
	}
}
