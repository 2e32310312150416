package rpc_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"maps"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

// shelf answers GetItem with what it is told to do.
type shelf struct {
	consumablesv1.UnimplementedConsumablesQueryServiceServer

	get func(ctx context.Context) (*consumablesv1.Item, error)
}

func (s shelf) GetItem(ctx context.Context, _ *consumablesv1.GetItemRequest) (*consumablesv1.Item, error) {
	return s.get(ctx)
}

var desc = &consumablesv1.ConsumablesQueryService_ServiceDesc

// policy lets role stores read items and anyone list them; nobody else anything.
func policy() auth.Policy {
	p := auth.Policy{}
	for _, m := range desc.Methods {
		p.For(desc.ServiceName, []string{"stores"}, m.MethodName)
	}
	return p.For(desc.ServiceName, []string{auth.Anyone}, "ListItems")
}

type fixture struct {
	server *rpc.Server
	caller rpc.Caller
	log    *bytes.Buffer
	// network is where the server is called over the network; empty for calls in memory.
	network string
}

func serve(t *testing.T, get func(ctx context.Context) (*consumablesv1.Item, error)) fixture {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	log := &bytes.Buffer{}
	server, err := rpc.NewServer(rpc.Deps{Clock: clock.System(), IDs: ids.System(), Keys: keys, Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	server.Register(desc, shelf{get: get}, policy())
	rpctest.Serve(t, server)
	return fixture{server: server, caller: rpc.Caller{Keys: keys, Clock: clock.System()}, log: log}
}

// items connects as somebody with these roles; with none as nobody.
func (f fixture) items(t *testing.T, roles ...string) (context.Context, consumablesv1.ConsumablesQueryServiceClient) {
	t.Helper()
	ctx := t.Context()
	if len(roles) > 0 {
		ctx = auth.NewContext(ctx, auth.Identity{Account: "accounts/ada", Person: "people/ada", Roles: roles, Kind: auth.Human})
	}
	if f.network != "" {
		conn, err := f.caller.Dial(f.network)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return ctx, consumablesv1.NewConsumablesQueryServiceClient(conn)
	}
	return ctx, consumablesv1.NewConsumablesQueryServiceClient(f.caller.Memory(f.server))
}

// overNetwork serves on a port too and is called there.
func (f fixture) overNetwork(t *testing.T) fixture {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- f.server.Serve(listener) }()
	t.Cleanup(func() {
		f.server.Stop(context.WithoutCancel(t.Context()))
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	f.network = listener.Addr().String()
	return f
}

func item() (*consumablesv1.Item, error) { return &consumablesv1.Item{Name: "items/a"}, nil }

func TestCallsAreAuthorised(t *testing.T) {
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		id, _ := auth.FromContext(ctx)
		return &consumablesv1.Item{Name: id.Account + " " + id.Person}, nil
	})
	for reason, roles := range map[string][]string{"": {"stores"}, "ROLE_MISSING": {"viewer"}, "NOT_SIGNED_IN": nil} {
		ctx, items := f.items(t, roles...)
		got, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
		if reason == "" && (err != nil || got.GetName() != "accounts/ada people/ada") || reason != "" && !fault.HasReason(err, reason) {
			t.Errorf("roles %v: %v, %v", roles, got, err)
		}
	}
	ctx, items := f.items(t)
	if _, err := items.ListItems(ctx, &consumablesv1.ListItemsRequest{}); status.Code(err) == codes.Unauthenticated {
		t.Errorf("anyone may list: %v", err)
	}
}

func TestAForgedAssertionIsRefused(t *testing.T) {
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { return item() }).overNetwork(t)
	other, err := auth.NewKeys(bytes.Repeat([]byte("x"), 32))
	if err != nil {
		t.Fatal(err)
	}
	f.caller.Keys = other
	ctx, items := f.items(t, "stores")
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); !fault.HasReason(err, "IDENTITY_INVALID") {
		t.Errorf("got %v", err)
	}
}

func TestRequestsAreValidatedAfterTheCallerIsKnown(t *testing.T) {
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { return item() })
	unknown := &consumablesv1.GetItemRequest{Name: "items/a"}
	unknown.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1))
	ctx, items := f.items(t, "stores")
	for reason, req := range map[string]*consumablesv1.GetItemRequest{"FIELD_INVALID": {}, "UNKNOWN_FIELD": unknown} {
		_, err := items.GetItem(ctx, req)
		refusal, _ := fault.As(err)
		if !fault.HasReason(err, reason) || len(refusal.Violations) == 0 {
			t.Errorf("want %s, got %v", reason, err)
		}
	}
	ctx, items = f.items(t, "viewer")
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{}); !fault.HasReason(err, "ROLE_MISSING") {
		t.Errorf("a caller without the role learns about the shape: %v", err)
	}
}

func TestErrorsReachTheCallerAsRefusalsOnly(t *testing.T) {
	secret := errors.New("password of the database is swordfish")
	for name, c := range map[string]struct {
		get    func(context.Context) (*consumablesv1.Item, error)
		reason string
	}{
		"refusal": {func(context.Context) (*consumablesv1.Item, error) {
			return nil, fault.Missing("items/a").Because(secret)
		}, "NOT_FOUND"},
		"error": {func(context.Context) (*consumablesv1.Item, error) { return nil, secret }, "INTERNAL"},
		"panic": {func(context.Context) (*consumablesv1.Item, error) { panic(secret) }, "INTERNAL"},
		"too late": {func(context.Context) (*consumablesv1.Item, error) {
			return nil, context.DeadlineExceeded
		}, "DEADLINE_EXCEEDED"},
	} {
		f := serve(t, c.get)
		ctx, items := f.items(t, "stores")
		_, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
		if !fault.HasReason(err, c.reason) || strings.Contains(err.Error(), "swordfish") {
			t.Errorf("%s: got %v", name, err)
		}
		if name != "too late" && !strings.Contains(f.log.String(), "swordfish") {
			t.Errorf("%s: the log does not know why: %s", name, f.log)
		}
	}
}

// What stands before the chain may go wrong as the rest may: that call ends with a refusal that says nothing of the inside, the log knows where, and the
// process and its other calls go on. It sees a panic below it as an outcome like others.
func TestAPanicBeforeTheChainEndsItsCallOnly(t *testing.T) {
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { panic("below") })
	var outcome error
	log := &bytes.Buffer{}
	server, err := rpc.NewServer(rpc.Deps{
		Clock: clock.System(), IDs: ids.System(), Keys: f.caller.Keys, Log: slog.New(slog.NewTextHandler(log, nil)),
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (resp any, err error) {
			if strings.HasSuffix(info.FullMethod, "GetItem") {
				resp, outcome = next(ctx, req)
				return resp, outcome
			}
			panic("swordfish")
		},
		Stream: func(any, grpc.ServerStream, *grpc.StreamServerInfo, grpc.StreamHandler) error { panic("trout") },
	})
	if err != nil {
		t.Fatal(err)
	}
	server.Register(desc, shelf{get: func(context.Context) (*consumablesv1.Item, error) { panic("below") }}, policy())
	rpctest.Serve(t, server)
	f.server = server
	for _, f := range []fixture{f, f.overNetwork(t)} {
		ctx, items := f.items(t, "stores")
		_, err := items.ListItems(ctx, &consumablesv1.ListItemsRequest{})
		if !fault.HasReason(err, "INTERNAL") || strings.Contains(err.Error(), "swordfish") {
			t.Errorf("a panic before a call: %v", err)
		}
		if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); !fault.HasReason(err, "INTERNAL") || status.Code(outcome) != codes.Internal {
			t.Errorf("a panic below: %v, and before the chain %v", err, outcome)
		}
	}
	conn, err := f.caller.Dial(f.overNetwork(t).network)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	stream, err := healthpb.NewHealthClient(conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "trout") {
		t.Errorf("a panic before a stream: %v", err)
	}
	server.Stop(t.Context())
	for _, cause := range []string{"swordfish", "trout", "below"} {
		if !strings.Contains(log.String(), cause) {
			t.Errorf("the log does not say %s: %s", cause, log)
		}
	}
}

// A call that ends at its deadline says so with its reason, whoever notices it first and whatever broke off because of it; so
// does one whose caller left.
func TestACallOutOfTimeSaysSo(t *testing.T) {
	broken := errors.New("interrupted (9)")
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		<-ctx.Done()
		return nil, broken // as a database says of a statement that was broken off
	})
	f.caller.Patience = 100 * time.Millisecond
	ctx, items := f.items(t, "stores")
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); !says(err, fault.DeadlineExceeded, "DEADLINE_EXCEEDED") {
		t.Errorf("got %v", err)
	}
	left, leave := context.WithCancel(ctx)
	leave()
	if _, err := items.GetItem(left, &consumablesv1.GetItemRequest{Name: "items/a"}); !says(err, fault.Canceled, "CALL_CANCELED") {
		t.Errorf("a caller that left: %v", err)
	}
	f.server.Stop(t.Context()) // waits for the handlers, and so for their lines in the log
	// Whether the server's own clock or the caller's leaving ends it first is luck.
	if log := f.log.String(); !strings.Contains(log, broken.Error()) || strings.Contains(log, "level=ERROR") {
		t.Errorf("the log says %s", log)
	}
	for code, reason := range map[codes.Code]string{
		codes.DeadlineExceeded: "DEADLINE_EXCEEDED", codes.Canceled: "CALL_CANCELED", codes.Unavailable: "SERVICE_UNREACHABLE",
	} {
		sent := rpc.ToStatus(status.Error(code, "as gRPC itself answers"))
		if status.Code(sent) != code || !fault.HasReason(rpc.FromStatus(sent), reason) || len(status.Convert(sent).Details()) != 1 {
			t.Errorf("%v goes on as %v", code, sent)
		}
	}
}

func says(err error, category fault.Category, reason string) bool {
	f, ok := fault.As(err)
	return ok && f.Category == category && f.Reason == reason && strings.Contains(f.Message, "idempotency key")
}

func TestEveryCallHasADeadline(t *testing.T) {
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		if _, ok := ctx.Deadline(); !ok {
			return nil, errors.New("no deadline")
		}
		return item()
	})
	ctx, items := f.items(t, "stores")
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); err != nil {
		t.Error(err)
	}
}

func TestAMethodWithoutPolicyKeepsTheServerFromServing(t *testing.T) {
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { return item() })
	server, err := rpc.NewServer(rpc.Deps{Clock: clock.System(), IDs: ids.System(), Keys: f.caller.Keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	open := policy()
	delete(open, "/"+desc.ServiceName+"/TraceLot")
	server.Register(desc, shelf{}, open)
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	for _, err := range []error{server.Check(), server.Serve(listener)} {
		if err == nil || !strings.Contains(err.Error(), "TraceLot") {
			t.Errorf("got %v", err)
		}
	}
}

func TestServicesCallOnTheirOwnAccount(t *testing.T) {
	f := serve(t, func(ctx context.Context) (*consumablesv1.Item, error) {
		id, _ := auth.FromContext(ctx)
		return &consumablesv1.Item{Name: id.Account, DisplayName: strings.Join(id.Roles, " ")}, nil
	})
	f.caller.As = "workorders"
	ctx, items := f.items(t)
	if _, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"}); !fault.HasReason(err, "ROLE_MISSING") {
		t.Errorf("a service without the role: %v", err)
	}
	ctx, items = f.items(t, "stores")
	if got, err := items.GetItem(rpc.AsService(ctx, "workorders"), &consumablesv1.GetItemRequest{Name: "items/a"}); !fault.HasReason(err, "ROLE_MISSING") {
		t.Errorf("on its own account it borrows the caller's role: %v, %v", got, err)
	}
}

// Whatever refusal goes over the wire comes back the same.
func TestRefusalsSurviveTheWire(t *testing.T) {
	for c := fault.Internal; c <= fault.Unimplemented; c++ {
		sent := fault.New(c, "SOME_REASON", "The lot is past its date. Take another.").With("lot", "lots/a").With("use_by", "2026-03-01")
		sent.Violations = []fault.Violation{{Field: "lot", Description: "Take another.", Reason: "SOME_REASON"}}
		got, ok := fault.As(rpc.FromStatus(rpc.ToStatus(sent)))
		if !ok || got.Category != c || got.Reason != sent.Reason || got.Message != sent.Message || !maps.Equal(got.Metadata, sent.Facts()) ||
			!slices.Equal(got.Violations, sent.Violations) {
			t.Errorf("category %d: sent %+v, got %+v", c, sent, got)
		}
	}
	if rpc.ToStatus(nil) != nil || rpc.FromStatus(nil) != nil {
		t.Error("no error became one")
	}
	if f, _ := fault.As(rpc.FromStatus(status.Error(codes.Unavailable, "connection refused"))); !says(f, fault.Unavailable, "SERVICE_UNREACHABLE") || strings.Contains(f.Message, "refused") {
		t.Errorf("an unreachable service: %+v", f)
	}
}

func TestValidateAcceptsWhatTheContractAllows(t *testing.T) {
	f := serve(t, func(context.Context) (*consumablesv1.Item, error) { return item() })
	ctx, items := f.items(t, "stores")
	got, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/a"})
	if want, _ := item(); err != nil || !proto.Equal(got, want) {
		t.Errorf("got %v, %v", got, err)
	}
}
