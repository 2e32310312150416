package rpc

import (
	"cmp"
	"context"
	"strings"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
)

// callDeadline bounds a call from one service to another.
const callDeadline = 10 * time.Second

// A connection on which calls wait and nothing comes is asked for a sign of life after silence, and given up when none comes in answerLimit: where a
// network swallows what is sent, calls then end as unavailable and a new connection is made, long before the machine's own limits.
const (
	silence     = 11 * time.Second // more than the shortest time between two such questions that servers of earlier versions bear with
	answerLimit = 4 * time.Second
)

// Caller makes connections on which calls carry an identity assertion and errors come back as refusals.
type Caller struct {
	Keys  *auth.Keys
	Clock clock.Clock
	// As is who calls when the context has no caller: a service, on its own account.
	As string
	// Patience is how long a call without a deadline may take; 0 means 10 s.
	Patience time.Duration
	// Credentials protect calls that leave the process; nil sends them in the clear.
	Credentials credentials.TransportCredentials
}

// Dial connects to a server over TCP, or to several instances of it, with commas between their addresses, by turns.
func (c Caller) Dial(address string) (*grpc.ClientConn, error) {
	list, options := strings.Split(address, ","), c.options()
	if c.Credentials != nil {
		options = append(options, grpc.WithTransportCredentials(c.Credentials))
	}
	if len(list) == 1 {
		return grpc.NewClient(address, options...)
	}
	var state resolver.State
	for _, a := range list {
		state.Addresses = append(state.Addresses, resolver.Address{Addr: a})
	}
	instances := manual.NewBuilderWithScheme("instances")
	instances.InitialState(state)
	return grpc.NewClient("instances:///", append(options, grpc.WithResolvers(instances),
		grpc.WithDefaultServiceConfig(`{"loadBalancingConfig":[{"round_robin":{}}]}`))...)
}

func (c Caller) options() []grpc.DialOption {
	return []grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage), grpc.MaxCallSendMsgSize(maxMessage)),
		grpc.WithStatsHandler(otelgrpc.NewClientHandler()),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: silence, Timeout: answerLimit}),
		grpc.WithUnaryInterceptor(c.unary),
		grpc.WithStreamInterceptor(c.stream),
	}
}

func (c Caller) unary(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	ctx, err := c.identify(ctx)
	if err != nil {
		return err
	}
	ctx, cancel := c.bounded(ctx)
	defer cancel()
	return FromStatus(invoke(ctx, method, req, reply, conn, opts...))
}

// bounded gives a call without a deadline one.
func (c Caller) bounded(ctx context.Context) (context.Context, context.CancelFunc) {
	if _, ok := ctx.Deadline(); ok {
		return ctx, func() {}
	}
	return context.WithTimeout(ctx, cmp.Or(c.Patience, callDeadline))
}

func (c Caller) stream(
	ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	ctx, err := c.identify(ctx)
	if err != nil {
		return nil, err
	}
	return open(ctx, desc, conn, method, opts...)
}

// who is the caller of the context, or the service itself, or nobody.
func (c Caller) who(ctx context.Context) (auth.Identity, bool) {
	if id, ok := auth.FromContext(ctx); ok || c.As == "" {
		return id, ok
	}
	return serviceIdentity(c.As), true
}

func serviceIdentity(name string) auth.Identity {
	return auth.Identity{Account: "services/" + name, DisplayName: name, Roles: []string{auth.RoleService}, Kind: auth.Service}
}

// identify forwards the caller of the context, or speaks as the service itself.
func (c Caller) identify(ctx context.Context) (context.Context, error) {
	id, ok := c.who(ctx)
	if !ok {
		return ctx, nil
	}
	token, err := c.Keys.MintIdentity(id, c.Clock.Now())
	if err != nil {
		return ctx, err
	}
	out := []string{identityKey, token}
	if key := RequestIDOf(ctx); key != "" {
		out = append(out, requestIDKey, key)
	}
	return metadata.AppendToOutgoingContext(ctx, out...), nil
}

// AsService returns a context in which calls are made on the service's own account, whoever asked for them.
func AsService(ctx context.Context, name string) context.Context {
	return auth.NewContext(ctx, serviceIdentity(name))
}
