package gateway_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
)

// room asks until a call is let in that was refused because too many were being worked on.
func (w *world) room() {
	w.t.Helper()
	for deadline := clock.System().After(time.Minute); ; {
		err := w.get(w.admin)
		if err == nil {
			return
		}
		select {
		case <-deadline:
			w.t.Fatal(err)
		case <-clock.System().After(10 * time.Millisecond):
		}
	}
}

// Case E21: an address has so many calls that are worked on at once. One more is refused on either protocol before it costs anything, and let in when
// another has ended.
func TestAnAddressHasSoManyCallsAtOnce(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits.CallsAtOnce = 3 })
	w.happen("lots/a", "f1")
	var stop func()
	for range 3 {
		ctx, cancel := context.WithCancel(w.as(w.admin))
		t.Cleanup(cancel)
		stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(ctx, &accessv1.WatchEventsRequest{})
		if err == nil {
			_, err = stream.Recv()
		}
		if err != nil {
			t.Fatal(err)
		}
		stop = cancel
	}
	if err := w.get(w.admin); status.Code(err) != codes.ResourceExhausted || reasonOf(err) != "TOO_MANY_CALLS_AT_ONCE" {
		t.Errorf("one more over gRPC: %v", err)
	}
	if code, problem, header := w.rest("GET", "/v1/items/a", w.admin, ""); code != 429 || problem["reason"] != "TOO_MANY_CALLS_AT_ONCE" || header.Get("Retry-After") != "1" {
		t.Errorf("one more over HTTP: %d %v", code, problem)
	}
	stop()
	w.room()
}

// Case E21: calls count until they ended, however they end, and never longer: ones that are refused, too late, taken back, or of no method.
func TestCallsThatEndedDoNotCount(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits.CallsAtOnce = 2 })
	for range 100 {
		late, cancel := context.WithTimeout(w.as(w.admin), 100*time.Microsecond)
		_, _ = accessv1.NewAccessQueryServiceClient(w.conn).ListAccounts(late, &accessv1.ListAccountsRequest{})
		cancel()
		taken, take := context.WithCancel(w.as(w.admin))
		go take()
		_, _ = accessv1.NewAccessQueryServiceClient(w.conn).ListAccounts(taken, &accessv1.ListAccountsRequest{})
		err := w.conn.Invoke(w.as(w.admin), "/coldsection.access.v1.AccessQueryService/Nothing", &accessv1.ListAccountsRequest{}, &accessv1.Account{})
		if status.Code(err) != codes.Unimplemented || reasonOf(err) != "CALL_UNKNOWN" {
			t.Fatalf("no method: %v", err)
		}
	}
	w.room()
}
