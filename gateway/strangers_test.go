package gateway_test

import (
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// A browser without a session asks who is signed in whenever the console is opened; that is no refusal worth a line. With wrong credentials it is
// one, and so is anything else that nobody known asks for; and reading in vain fills the audit as little as changing in vain.
func TestAskingWhoIsSignedInIsNoRefusal(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	for range 3 {
		if status, problem, _ := w.rest("GET", "/v1/sessions/current", "", ""); status != 401 || problem["reason"] != "NOT_SIGNED_IN" {
			t.Fatalf("got %d %v", status, problem)
		}
		if _, err := sessions.GetCurrentSession(t.Context(), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "NOT_SIGNED_IN" {
			t.Fatalf("got %v", err)
		}
	}
	if lines := w.lines("NOT_SIGNED_IN"); len(lines) > 0 {
		t.Errorf("the audit has %v", lines)
	}
	if _, err := sessions.GetCurrentSession(w.as("css_wrong"), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("got %v", err)
	}
	if lines := w.lines("GetCurrentSession CREDENTIALS_WRONG"); len(lines) != 1 {
		t.Errorf("wrong credentials left %v", lines)
	}
	for range 60 {
		w.rest("GET", "/v1/items/a", "", "")
	}
	if lines := w.lines("GetItem NOT_SIGNED_IN"); len(lines) == 0 || len(lines) > 30 {
		t.Errorf("%d lines tell of 60 calls", len(lines))
	}
}
