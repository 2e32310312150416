package gateway

import (
	"context"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/audit"
	"coldsection.example/gateway/internal/beside"
	"coldsection.example/gateway/internal/limits"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// doorman stands before the chain of every call: it reads the bearer token, and writes the audit of changes and refusals.
type doorman struct {
	store *accounts.Store
	audit *audit.Log
	clock clock.Clock

	calls, strangers *limits.Limiter // of accounts, and of addresses before sign-in
	streams          *limits.Open    // of accounts
	working          *limits.Open    // calls of addresses
	proxies          limits.Proxies
	// authorise says whether a caller may still call a method.
	authorise func(ctx context.Context, method string) error
	// assertion reads the identity that the HTTP side of the gateway found out.
	assertion func(ctx context.Context) (context.Context, error)
}

func (d *doorman) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	known, err := d.admit(ctx, info.FullMethod)
	if err != nil {
		d.refused(known, info.FullMethod, target(req), rpc.ToStatus(err))
		return nil, rpc.ToStatus(err)
	}
	handle := func() (any, error) {
		if err := rpc.ToStatus(applyIfMatch(known, info.FullMethod, req)); err != nil {
			return nil, err
		}
		resp, err := inUnits(known, req, next)
		return resp, orIdle(known, err)
	}
	if id, _ := auth.FromContext(known); readOnly(info.FullMethod) && id.Kind != auth.Emergency {
		resp, err := handle()
		if err != nil {
			d.unread(known, info.FullMethod, target(req), err)
		}
		return resp, err
	}
	return d.recorded(known, call(known, info.FullMethod, target(req)), handle)
}

// recorded makes a call whose line in the audit is on disk before its answer is given: a change, or whatever a break-glass session does.
func (d *doorman) recorded(ctx context.Context, c audit.Call, handle func() (any, error)) (any, error) {
	if c.Account == "" {
		return d.recordedAfter(ctx, c, handle)
	}
	entry, err := d.audit.Begin(ctx, c)
	if err != nil {
		return nil, rpc.ToStatus(err)
	}
	resp, err := handle()
	if missing := entry.End(ctx, outcomeOf(err)); missing != nil && err == nil {
		return nil, rpc.ToStatus(missing)
	}
	return resp, err
}

// recordedAfter does it for somebody nobody knows yet, whose refusals may not fill the audit: what a sign-in opened is of no use before its answer.
func (d *doorman) recordedAfter(ctx context.Context, c audit.Call, handle func() (any, error)) (any, error) {
	resp, err := handle()
	if err != nil {
		d.audit.Stranger(ctx, c, outcomeOf(err))
		return resp, err
	}
	if missing := d.audit.Write(ctx, c, outcomeOf(nil)); missing != nil {
		return nil, rpc.ToStatus(missing)
	}
	return resp, nil
}

// admit finds out who calls, and whether the caller may call this now.
func (d *doorman) admit(ctx context.Context, method string) (context.Context, error) {
	known, err := d.identify(ctx)
	if err = d.judged(known, err); err == nil {
		err = allowScopes(known, method)
	}
	if err == nil {
		err = allowAgent(known, method)
	}
	return known, err
}

// identify reads the bearer token of a call, if it has one, or the gateway's own assertion.
func (d *doorman) identify(ctx context.Context) (context.Context, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	v := md.Get("authorization")
	if len(v) == 0 {
		return d.assertion(ctx)
	}
	token, ok := strings.CutPrefix(v[0], "Bearer ")
	if !ok {
		return ctx, fault.New(fault.Unauthenticated, "CREDENTIALS_WRONG",
			"The authorization is no bearer token. Send \"Bearer\" and a session's token or an API key.")
	}
	id, _, err := d.store.Identify(ctx, token)
	if err != nil {
		return ctx, err
	}
	return auth.NewContext(ctx, id), nil
}

// allowScopes refuses what the caller's key is narrowed away from.
func allowScopes(ctx context.Context, method string) error {
	id, _ := auth.FromContext(ctx)
	return accounts.AllowScopes(id, method, readOnly(method))
}

// outcomeOf is OK, or the reason of a refusal.
func outcomeOf(err error) string {
	if err == nil {
		return "OK"
	}
	if f, ok := fault.As(rpc.FromStatus(err)); ok {
		return f.Reason
	}
	return "UNKNOWN"
}

// call is what the audit says of a call.
func call(ctx context.Context, method, target string) audit.Call {
	id, _ := auth.FromContext(ctx)
	return audit.Call{Account: id.Account, Method: strings.TrimPrefix(method, "/"), Target: target}
}

// refused writes down a call that was refused at the door, whose caller may be nobody known.
func (d *doorman) refused(ctx context.Context, method, target string, err error) {
	c, outcome, written := call(ctx, method, target), outcomeOf(err), make(chan struct{})
	go func() {
		defer close(written)
		_ = beside.Do(ctx, d.audit.Log, "writing the audit", func() error {
			if c.Account == "" || outcome == "TOO_MANY_CALLS" {
				d.audit.Stranger(ctx, c, outcome)
				return nil
			}
			return d.audit.Write(ctx, c, outcome) // one that can't be written is logged and kept for later
		})
	}()
	select {
	case <-written:
	case <-ctx.Done(): // nothing was done, so a caller whose time is over does not wait for the line
	}
}

// unread writes down a read that was refused or failed. A browser that opens the console asks who is signed in; that it is nobody is the answer, and
// nothing was refused.
func (d *doorman) unread(ctx context.Context, method, target string, err error) {
	if method == accessv1.SessionService_GetCurrentSession_FullMethodName && (outcomeOf(err) == "NOT_SIGNED_IN" || outcomeOf(err) == "SESSION_IDLE") {
		return
	}
	d.refused(ctx, method, target, err)
}

// write adds a line to the audit; one that can't be written is logged and kept for later.
func (d *doorman) write(ctx context.Context, method, target, outcome string) {
	_ = d.audit.Write(ctx, call(ctx, method, target), outcome)
}

// readOnly says whether the contract declares that a method has no side effects, or the method only streams to its caller, which the contract does not.
func readOnly(method string) bool {
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", "."))
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return strings.HasPrefix(string(name), "grpc.")
	}
	if m, ok := d.(protoreflect.MethodDescriptor); ok && m.IsStreamingServer() && !m.IsStreamingClient() {
		return true
	}
	options, _ := d.Options().(*descriptorpb.MethodOptions)
	return options.GetIdempotencyLevel() == descriptorpb.MethodOptions_NO_SIDE_EFFECTS
}

// target is the resource that a request names.
func target(req any) string {
	m, ok := req.(proto.Message)
	if !ok {
		return ""
	}
	for _, field := range []protoreflect.Name{"name", "parent"} {
		if fd := m.ProtoReflect().Descriptor().Fields().ByName(field); fd != nil && fd.Kind() == protoreflect.StringKind {
			return m.ProtoReflect().Get(fd).String()
		}
	}
	return ""
}
