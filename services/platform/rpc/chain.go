package rpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/peers"
)

// Metadata keys between processes of the suite.
const (
	identityKey  = "coldsection-identity"
	requestIDKey = "coldsection-request-id"
)

// unaryChain is the order of interceptors of every call, outermost first.
func (s *Server) unaryChain() grpc.UnaryServerInterceptor {
	chain := []grpc.UnaryServerInterceptor{
		s.translate,    // first, so that every error below becomes a status with a reason
		s.recover,      // a panic of anything below is an error of this call only
		s.deadline,     // a caller without a deadline gets one
		s.log,          // knows the outcome of all that follows
		s.authenticate, // who calls
		s.authorise,    // before the request is looked at, so that nobody probes with bad requests
		s.validate,     // shape; rules that need data are the use case's
	}
	if s.deps.Unary != nil { // it sees the outcome of the chain as its caller will; and what is wrong in it ends no more than its call either
		chain = append([]grpc.UnaryServerInterceptor{s.translate, s.recover, s.deps.Unary}, chain...)
	}
	chain = append([]grpc.UnaryServerInterceptor{s.number}, chain...)
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		for _, step := range slices.Backward(chain) {
			inner := next
			next = func(ctx context.Context, req any) (any, error) { return step(ctx, req, info, inner) }
		}
		return next(ctx, req)
	}
}

func (s *Server) translate(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	resp, err := next(ctx, req)
	if err != nil {
		return nil, ToStatus(err)
	}
	return resp, nil
}

func (s *Server) recover(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (resp any, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = s.panicked(ctx, info.FullMethod, p)
		}
	}()
	return next(ctx, req)
}

// panicked writes a panic in the log, and is the error of its call.
func (s *Server) panicked(ctx context.Context, method string, p any) error {
	err := fmt.Errorf("panic in %s: %v\n%s", method, p, debug.Stack())
	s.deps.Log.ErrorContext(ctx, "panic", "method", method, "request_id", RequestIDOf(ctx), "error", err)
	return err
}

func (s *Server) deadline(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, DefaultDeadline)
		defer cancel()
	}
	return next(ctx, req)
}

func (s *Server) log(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	resp, err := next(ctx, req)
	if err == nil {
		return resp, nil
	}
	err = ended(ctx, err)
	level, reason, id := slog.LevelError, "INTERNAL", RequestIDOf(ctx)
	if f, ok := fault.As(err); ok {
		level, reason = slog.LevelInfo, f.Reason
		if cause := errors.Unwrap(f); cause != nil {
			err = cause
		}
		s.deps.Log.Log(ctx, level, "call refused", "method", info.FullMethod, "reason", reason, "request_id", id, "cause", err.Error())
		return nil, f
	}
	s.deps.Log.Log(ctx, level, "call failed", "method", info.FullMethod, "reason", reason, "request_id", id, "error", err.Error())
	return nil, err
}

func (s *Server) authenticate(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	ctx, err := s.identify(ctx)
	if err != nil {
		return nil, err
	}
	return next(ctx, req)
}

// Identify returns a context with the caller that an assertion in the metadata names, if there is one.
func (s *Server) Identify(ctx context.Context) (context.Context, error) { return s.identify(ctx) }

// identify believes an assertion of the suite's own keys; a context that has a caller already keeps it. A process that the
// server is not for is refused before.
func (s *Server) identify(ctx context.Context) (context.Context, error) {
	if len(s.deps.Peers) > 0 {
		if err := peers.Admit(ctx, s.deps.Peers); err != nil {
			return ctx, err
		}
	}
	if _, ok := auth.FromContext(ctx); ok {
		return ctx, nil
	}
	if id, ok := insider(ctx); ok {
		return auth.NewContext(ctx, id), nil
	}
	token := incoming(ctx, identityKey)
	if token == "" {
		return ctx, nil
	}
	id, err := s.deps.Keys.VerifyIdentity(token, s.deps.Clock.Now())
	if err != nil {
		return ctx, err
	}
	return auth.NewContext(ctx, id), nil
}

// Authorise says whether the caller of a context may call a method, for streams that outlive what let them in.
func (s *Server) Authorise(ctx context.Context, method string) error {
	return s.policy.Authorise(ctx, method)
}

func (s *Server) authorise(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if err := s.policy.Authorise(ctx, info.FullMethod); err != nil {
		return nil, err
	}
	return next(ctx, req)
}

func (s *Server) validate(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if m, ok := req.(proto.Message); ok && !s.forwarded[info.FullMethod] {
		if err := Validate(s.deps.Validator, m); err != nil {
			return nil, err
		}
	}
	return next(ctx, req)
}

// Validate checks the shape of a request: the rules in the contract, and that it has no fields that the contract lacks.
// Reasons: FIELD_INVALID, and those of shape.
func Validate(v protovalidate.Validator, m proto.Message) error {
	if err := shape(m.ProtoReflect()); err != nil {
		return err
	}
	err := v.Validate(m, skipAmounts)
	var bad *protovalidate.ValidationError
	if !errors.As(err, &bad) {
		return err
	}
	out := fault.New(fault.InvalidArgument, "FIELD_INVALID", "")
	for _, violation := range bad.Violations {
		if len(out.Violations) == mostViolations {
			break
		}
		if unchanged(m, violation) {
			continue
		}
		path := protovalidate.FieldPathString(violation.Proto.GetField())
		text := fmt.Sprintf("%s%s: %s. Correct it and send the request again.", path, shown(violation), broken(violation))
		out.Violations = append(out.Violations, fault.Violation{Field: path, Description: text, Reason: "FIELD_INVALID"})
	}
	if len(out.Violations) == 0 {
		return nil
	}
	out.Message = out.Violations[0].Description
	return out
}

func incoming(ctx context.Context, key string) string {
	md, _ := metadata.FromIncomingContext(ctx)
	if v := md.Get(key); len(v) > 0 {
		return v[0]
	}
	return ""
}

// streamChain does for streams what unaryChain does for calls. The request of a stream to its caller is validated as that of a call; messages of a
// stream from its caller are the handler's, who says which of them it is.
func (s *Server) streamChain() grpc.StreamServerInterceptor {
	inner := s.recovering(s.stream)
	outer := inner
	if s.deps.Stream != nil {
		outer = s.recovering(func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			return s.deps.Stream(srv, stream, info, func(srv any, stream grpc.ServerStream) error { return inner(srv, stream, info, next) })
		})
	}
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
		ctx, id := s.numbered(stream.Context())
		return WithRequest(outer(srv, identified{ServerStream: stream, ctx: ctx}, info, next), id)
	}
}

// recovering makes what goes wrong in a step, also by a panic, a status of its stream alone.
func (s *Server) recovering(step grpc.StreamServerInterceptor) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
		defer func() {
			if p := recover(); p != nil {
				err = s.panicked(stream.Context(), info.FullMethod, p)
			}
			err = ToStatus(err)
		}()
		return step(srv, stream, info, next)
	}
}

func (s *Server) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	ctx, err := s.identify(stream.Context())
	if err != nil {
		return err
	}
	if err := s.policy.Authorise(ctx, info.FullMethod); err != nil {
		return err
	}
	open := identified{ServerStream: stream, ctx: ctx}
	if !info.IsClientStream && !s.forwarded[info.FullMethod] {
		open.validate = func(m proto.Message) error { return Validate(s.deps.Validator, m) }
	}
	err = next(srv, open)
	if _, refused := fault.As(err); err != nil && !refused && ctx.Err() == nil {
		s.deps.Log.ErrorContext(ctx, "stream failed", "method", info.FullMethod, "request_id", RequestIDOf(ctx), "error", err.Error())
	}
	return err
}

type identified struct {
	grpc.ServerStream

	ctx      context.Context
	validate func(proto.Message) error // nil where the handler does
}

// Context carries the caller.
func (i identified) Context() context.Context { return i.ctx }

// RecvMsg takes a message, if it is one that the contract allows.
func (i identified) RecvMsg(into any) error {
	err := i.ServerStream.RecvMsg(into)
	if m, ok := MessageOf(into); ok && err == nil && i.validate != nil {
		return i.validate(m)
	}
	return err
}
