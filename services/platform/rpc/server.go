// Package rpc is how services are served and called: one chain of interceptors, one table of errors, deny by default.
//
// The same servers are called in one process, as functions behind the same chain, and in separate processes over TCP.
package rpc

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"slices"
	"time"

	"buf.build/go/protovalidate"
	"github.com/fullstorydev/grpchan/inprocgrpc"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc/filters"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	protocodec "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
)

// Limits of every server, beside that of a request.
const (
	maxStreams = 1000     // per connection
	maxHeader  = 32 << 10 // bytes of a call's metadata
)

// pingsApart is the shortest time between two of a peer's questions for signs of life; one that asks more often is sent away.
const pingsApart = 5 * time.Second

// Patience is how long a server bears with a connection. Zero values are the defaults.
type Patience struct {
	Greeting time.Duration // until it was greeted; 0 means 10 s
	Idle     time.Duration // with no call on it; 0 means 15 min
	Silence  time.Duration // with nothing from the peer before it is asked for a sign of life; 0 means 1 min
	Answer   time.Duration // without an answer to that; 0 means 20 s
}

func (p Patience) options() []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingsApart, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			MaxConnectionIdle: cmp.Or(p.Idle, 15*time.Minute), Time: cmp.Or(p.Silence, time.Minute), Timeout: cmp.Or(p.Answer, 20*time.Second),
		}),
		grpc.ConnectionTimeout(cmp.Or(p.Greeting, 10*time.Second)),
	}
}

// DefaultDeadline is the time that a call gets whose caller gave none; more than the longest wait for facts.
const DefaultDeadline = 40 * time.Second

// Registrar takes a gRPC service together with the roles that may call each of its methods.
type Registrar interface {
	Register(desc *grpc.ServiceDesc, impl any, policy auth.Policy)
}

// Server serves gRPC services.
type Server struct {
	deps   Deps
	policy auth.Policy
	grpc   *grpc.Server
	health *health.Server
	memory inprocgrpc.Channel // for callers in this process
	inside gate
	// forwarded are methods that are only passed on: their owner decides who may call, and checks the request after that.
	forwarded map[string]bool
	err       error
}

// Deps is what a server needs.
type Deps struct {
	Clock     clock.Clock
	IDs       ids.Source
	Log       *slog.Logger
	Keys      *auth.Keys
	Validator protovalidate.Validator
	// Peers are the names of the processes that may call over the network; empty lets in all that the transport does.
	Peers []string
	// Patience is how long connections are borne with.
	Patience Patience
	// Unary and Stream stand before the chain of every call; nil for nothing.
	Unary  grpc.UnaryServerInterceptor
	Stream grpc.StreamServerInterceptor
}

// NewServer makes a server without services.
func NewServer(deps Deps, extra ...grpc.ServerOption) (*Server, error) {
	if deps.Validator == nil {
		v, err := protovalidate.New()
		if err != nil {
			return nil, err
		}
		deps.Validator = v
	}
	s := &Server{deps: deps, policy: auth.Policy{}, health: health.NewServer(), inside: gate{under: map[int]context.CancelFunc{}}, forwarded: map[string]bool{}}
	unary, stream := s.unaryChain(), s.streamChain()
	measured := otelgrpc.NewServerHandler(otelgrpc.WithFilter(filters.Not(filters.HealthCheck())))
	options := append([]grpc.ServerOption{
		grpc.StatsHandler(measured), grpc.UnaryInterceptor(unary), grpc.StreamInterceptor(stream),
		grpc.MaxRecvMsgSize(maxMessage),
		grpc.MaxConcurrentStreams(maxStreams), grpc.MaxHeaderListSize(maxHeader),
		grpc.ForceServerCodecV2(attempts{encoding.GetCodecV2(protocodec.Name)}),
	}, slices.Concat(deps.Patience.options(), extra)...)
	s.grpc = grpc.NewServer(options...)
	s.memory.WithServerUnaryInterceptor(s.inside.unary(unary)).WithServerStreamInterceptor(s.inside.stream(stream)).WithCloner(copier{}).
		WithServerStatsHandler(measured).WithClientStatsHandler(otelgrpc.NewClientHandler())
	healthpb.RegisterHealthServer(s.grpc, s.health)
	healthpb.RegisterHealthServer(&s.memory, s.health)
	for _, m := range []string{"Check", "List", "Watch"} {
		s.policy["/grpc.health.v1.Health/"+m] = []string{auth.Anyone}
	}
	return s, nil
}

// Register adds a service; one without an implementation of ours is forwarded to its owner. A method without a row in the
// policy makes Serve refuse to start.
func (s *Server) Register(desc *grpc.ServiceDesc, impl any, policy auth.Policy) {
	s.grpc.RegisterService(s.readableService(desc), impl)
	if impl == nil {
		forwarded := *desc // a channel in memory asks for a handler
		forwarded.HandlerType = (*any)(nil)
		s.memory.RegisterService(&forwarded, struct{}{})
	} else {
		s.memory.RegisterService(desc, impl)
	}
	maps.Copy(s.policy, policy)
	var methods []string
	for _, m := range desc.Methods {
		methods = append(methods, m.MethodName)
	}
	for _, m := range desc.Streams {
		methods = append(methods, m.StreamName)
	}
	for _, m := range methods {
		full := "/" + desc.ServiceName + "/" + m
		s.forwarded[full] = impl == nil
		if len(s.policy[full]) == 0 && s.err == nil {
			s.err = fmt.Errorf("method %s has no row in the policy; say who may call it", full)
		}
	}
}

// Serves says whether the server has a method, such as "/coldsection.access.v1.SessionService/SignIn".
func (s *Server) Serves(method string) bool { return len(s.policy[method]) > 0 }

// GRPC is the underlying server, for reflection.
func (s *Server) GRPC() *grpc.Server { return s.grpc }

// Check reports what keeps the server from serving.
func (s *Server) Check() error { return s.err }

// Serve serves a listener until Stop.
func (s *Server) Serve(listener net.Listener) error {
	if s.err != nil {
		return s.err
	}
	return s.grpc.Serve(listener)
}

// Stop lets calls under way end, until ctx ends.
func (s *Server) Stop(ctx context.Context) {
	s.health.Shutdown()
	done := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		s.inside.close()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
		s.grpc.Stop()
		s.inside.cut()
	}
}
