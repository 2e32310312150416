// Package rpc is how services are served and called: one chain of interceptors, one table of errors, deny by default.
//
// The same servers run in one process, over an in-memory listener, and in separate processes over TCP.
package rpc

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"time"

	"buf.build/go/protovalidate"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc/filters"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/test/bufconn"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
)

// Limits of every server.
const (
	maxMessage   = 20 << 20 // bytes; an import carries up to 16 MiB of text
	maxStreams   = 1000     // per connection
	memoryBuffer = 1 << 20
)

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
	memory *bufconn.Listener
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
	s := &Server{deps: deps, policy: auth.Policy{}, health: health.NewServer(), memory: bufconn.Listen(memoryBuffer), forwarded: map[string]bool{}}
	options := append([]grpc.ServerOption{
		grpc.StatsHandler(otelgrpc.NewServerHandler(otelgrpc.WithFilter(filters.Not(filters.HealthCheck())))),
		grpc.ChainUnaryInterceptor(s.unaryChain()...),
		grpc.ChainStreamInterceptor(s.streamChain()...),
		grpc.MaxRecvMsgSize(maxMessage),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
	}, extra...)
	s.grpc = grpc.NewServer(options...)
	healthpb.RegisterHealthServer(s.grpc, s.health)
	for _, m := range []string{"Check", "List", "Watch"} {
		s.policy["/grpc.health.v1.Health/"+m] = []string{auth.Anyone}
	}
	return s, nil
}

// Register adds a service; one without an implementation of ours is forwarded to its owner. A method without a row in the
// policy makes Serve refuse to start.
func (s *Server) Register(desc *grpc.ServiceDesc, impl any, policy auth.Policy) {
	s.grpc.RegisterService(desc, impl)
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

// GRPC is the underlying server, for reflection.
func (s *Server) GRPC() *grpc.Server { return s.grpc }

// Check reports what keeps the server from serving.
func (s *Server) Check() error { return s.err }

// ServeMemory serves callers in this process until Stop.
func (s *Server) ServeMemory() error {
	if s.err != nil {
		return s.err
	}
	return s.grpc.Serve(s.memory)
}

// Serve serves a listener until Stop.
func (s *Server) Serve(listener net.Listener) error {
	if s.err != nil {
		return s.err
	}
	return s.grpc.Serve(listener)
}

// Memory dials the in-memory listener.
func (s *Server) Memory(ctx context.Context) (net.Conn, error) { return s.memory.DialContext(ctx) }

// Stop lets calls under way end, until ctx ends.
func (s *Server) Stop(ctx context.Context) {
	s.health.Shutdown()
	done := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
		s.grpc.Stop()
	}
}
