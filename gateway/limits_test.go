package gateway_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// get asks for an item over gRPC.
func (w *world) get(token string) error {
	_, err := consumablesv1.NewConsumablesQueryServiceClient(w.conn).GetItem(w.as(token), &consumablesv1.GetItemRequest{Name: "items/a"})
	return err
}

// Case C20: who calls without end is told when to come again; others notice nothing.
func TestCallsOfOneCallerHaveALimit(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits = gateway.Limits{CallsPerSecond: 5} })
	busy := w.hire("busy", "stores")
	for i := range 25 {
		if err := w.get(busy); err != nil {
			t.Fatalf("call %d of 25: %v", i+1, err)
		}
	}
	err := w.get(busy)
	if status.Code(err) != codes.ResourceExhausted || reasonOf(err) != "TOO_MANY_CALLS" {
		t.Errorf("call 26: %v", err)
	}
	wait := time.Duration(0)
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.RetryInfo); ok {
			wait = r.GetRetryDelay().AsDuration()
		}
	}
	code, problem, header := w.rest("GET", "/v1/items/a", busy, "")
	if code != 429 || problem["reason"] != "TOO_MANY_CALLS" || header.Get("Retry-After") != "1" || wait != time.Second {
		t.Errorf("over HTTP: %d %v, Retry-After %q; over gRPC %v", code, problem, header.Get("Retry-After"), wait)
	}
	if err := w.get(w.admin); err != nil {
		t.Errorf("somebody else: %v", err)
	}
	w.clock.Advance(time.Second)
	if err := w.get(busy); err != nil {
		t.Errorf("a second later: %v", err)
	}
}

// Case C20: logins without end, on either protocol and with tokens that are none, are the address's.
func TestSignInsOfOneAddressHaveALimit(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.Limits = gateway.Limits{StrangersPerSecond: 1} })
	sessions := accessv1.NewSessionServiceClient(w.conn)
	for range 4 { // the first administrator's invitation was the fifth
		if _, err := sessions.DescribeSignIn(t.Context(), &accessv1.DescribeSignInRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "admin", Password: passphrase}); reasonOf(err) != "TOO_MANY_CALLS" {
		t.Errorf("a sign-in: %v", err)
	}
	if err := w.get("css_stolen"); reasonOf(err) != "TOO_MANY_CALLS" {
		t.Errorf("a token that is none: %v", err)
	}
	for _, headers := range [][]string{nil, {"X-Forwarded-For", "203.0.113.7"}} { // case C21
		if code, problem, _ := w.rest("GET", "/v1/items/a", "css_stolen", "", headers...); code != 429 {
			t.Errorf("over HTTP with %v: %d %v", headers, code, problem)
		}
	}
	if err := w.get(w.admin); err != nil {
		t.Errorf("who is signed in, from the same address: %v", err)
	}
}

// Case C15: nobody is told the contract over reflection unless the operator switched it on, neither a stranger nor the administrator.
func TestReflectionIsOffUnlessItIsSwitchedOn(t *testing.T) {
	for _, on := range []bool{false, true} {
		w := newWorld(t, func(c *gateway.Config) { c.Reflection = on })
		for who, ctx := range map[string]context.Context{"a stranger": t.Context(), "the administrator": w.as(w.admin)} {
			stream, err := reflectionv1.NewServerReflectionClient(w.conn).ServerReflectionInfo(ctx)
			if err != nil {
				t.Fatal(err)
			}
			_ = stream.Send(&reflectionv1.ServerReflectionRequest{ // what became of it, Recv says
				MessageRequest: &reflectionv1.ServerReflectionRequest_ListServices{ListServices: "*"},
			})
			answer, err := stream.Recv()
			listed := len(answer.GetListServicesResponse().GetService())
			if on && (err != nil || listed == 0) || !on && (status.Code(err) != codes.Unimplemented || listed != 0) {
				t.Errorf("switched on: %v; to %s: %d services, %v", on, who, listed, err)
			}
			_ = stream.CloseSend()
		}
	}
}
