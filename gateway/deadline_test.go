package gateway_test

import (
	"strings"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// A call that ends at its deadline reaches an HTTP client as such: with its reason, a status of its own, and what to do.
func TestACallOutOfTimeReachesClientsAsSuch(t *testing.T) {
	w := newWorld(t)
	status, problem, header := w.rest("GET", "/v1/items/slow", w.admin, "", "Grpc-Timeout", "100m")
	detail, _ := problem["detail"].(string)
	if status != 504 || problem["code"] != "DEADLINE_EXCEEDED" || problem["reason"] != "DEADLINE_EXCEEDED" ||
		header.Get("Content-Type") != "application/problem+json" || !strings.Contains(detail, "idempotency key") {
		t.Errorf("got %d %v", status, problem)
	}
	if code, _ := w.page("/problems/deadline-exceeded"); code != 200 {
		t.Errorf("its page answers %d", code)
	}
}

// A call without a deadline may take longer than a caller may wait for facts (30 s in the contract), over HTTP as over gRPC.
func TestTheDeadlineLeavesRoomForTheLongestWait(t *testing.T) {
	w := newWorld(t)
	_, body, _ := w.rest("GET", "/v1/items/timed", w.admin, "")
	overHTTP, _ := body["displayName"].(string)
	item, err := consumablesv1.NewConsumablesQueryServiceClient(w.conn).GetItem(w.as(w.admin), &consumablesv1.GetItemRequest{Name: "items/timed"})
	if err != nil {
		t.Fatal(err)
	}
	for protocol, left := range map[string]string{"HTTP": overHTTP, "gRPC": item.GetDisplayName()} {
		if d, err := time.ParseDuration(left); err != nil || d <= 31*time.Second {
			t.Errorf("over %s a call has %s, %v", protocol, left, err)
		}
	}
}
