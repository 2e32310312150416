package gateway_test

import (
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

func TestPeopleSeeAndEndTheirOwnSessions(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	first := w.hire("vera", "viewer")
	w.clock.Advance(time.Hour)
	second, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "vera", Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	got, err := sessions.DescribeOwnSessions(w.as(second.GetToken()), &accessv1.DescribeOwnSessionsRequest{})
	if err != nil || len(got.GetSessions()) != 2 {
		t.Fatalf("%v, %v", got, err)
	}
	newest, oldest := got.GetSessions()[0], got.GetSessions()[1]
	if !newest.GetCurrent() || oldest.GetCurrent() || !oldest.GetCreateTime().AsTime().Equal(start) || newest.GetMethod() != "password" {
		t.Errorf("%v", got)
	}
	for _, s := range got.GetSessions() {
		if s.GetToken() != "" || s.GetCsrfToken() != "" || s.GetSessionId() == "" || s.GetAccount() != "accounts/vera" {
			t.Errorf("what is told of a session: %v", s)
		}
	}
	if now, err := sessions.GetCurrentSession(w.as(first), &accessv1.GetCurrentSessionRequest{}); err != nil || now.GetSessionId() != oldest.GetSessionId() {
		t.Errorf("%v, %v", now, err)
	}
	end := &accessv1.EndOwnSessionRequest{SessionId: oldest.GetSessionId()}
	if _, err := sessions.EndOwnSession(w.as(w.admin), end); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("somebody else's: %v", err)
	}
	if _, err := sessions.EndOwnSession(w.as(second.GetToken()), end); err != nil {
		t.Fatal(err)
	}
	if _, err := sessions.GetCurrentSession(w.as(first), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("the ended session: %v", err)
	}
	if _, err := sessions.EndOwnSession(w.as(second.GetToken()), end); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("once more: %v", err)
	}
	if _, err := sessions.GetCurrentSession(w.as(second.GetToken()), &accessv1.GetCurrentSessionRequest{}); err != nil {
		t.Errorf("the other one: %v", err)
	}
}
