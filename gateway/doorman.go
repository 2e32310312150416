package gateway

import (
	"context"
	"log/slog"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// doorman stands before the chain of every call: it reads the bearer token, and writes the audit of changes and refusals.
type doorman struct {
	store *accounts.Store
	log   *slog.Logger
	ids   ids.Source
	clock clock.Clock
	// authorise says whether a caller may still call a method.
	authorise func(ctx context.Context, method string) error
	// assertion reads the identity that the HTTP side of the gateway found out.
	assertion func(ctx context.Context) (context.Context, error)
}

func (d *doorman) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	known, err := d.identify(ctx)
	if err == nil {
		err = allowScopes(known, info.FullMethod)
	}
	if err != nil {
		d.audit(ctx, info.FullMethod, req, rpc.ToStatus(err))
		return nil, rpc.ToStatus(err)
	}
	var resp any
	if err = rpc.ToStatus(applyIfMatch(known, info.FullMethod, req)); err == nil {
		resp, err = next(known, req)
	}
	d.audit(known, info.FullMethod, req, err)
	return resp, err
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

// audit writes down changes, whether they succeeded or not, refused reads, and whatever a break-glass session does. A failing audit is logged; the call stands.
func (d *doorman) audit(ctx context.Context, method string, req any, err error) {
	if id, _ := auth.FromContext(ctx); err == nil && readOnly(method) && id.Kind != auth.Emergency {
		return
	}
	d.write(ctx, method, target(req), outcomeOf(err))
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

// write adds a line to the audit.
func (d *doorman) write(ctx context.Context, method, target, outcome string) {
	id, _ := auth.FromContext(ctx)
	event := &accessv1.AuditEvent{
		Name: "auditEvents/" + d.ids.New(), Account: id.Account, Method: strings.TrimPrefix(method, "/"), Target: target, Outcome: outcome,
	}
	ctx = context.WithoutCancel(ctx)
	if err := d.store.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return accounts.Audit.Insert(ctx, tx, event, d.clock.Now())
	}); err != nil {
		d.log.ErrorContext(ctx, "a call is missing from the audit", "method", method, "outcome", outcome, "error", err)
	}
}

// readOnly says whether the contract declares that a method has no side effects.
func readOnly(method string) bool {
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", "."))
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return strings.HasPrefix(string(name), "grpc.")
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
