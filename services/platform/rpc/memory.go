package rpc

import (
	"context"
	"fmt"
	"runtime"
	"sync"

	"github.com/fullstorydev/grpchan/inprocgrpc"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

// Memory calls a server in this process: a call of a function behind the server's whole chain, without a socket and without
// bytes between. Nothing of the caller's context goes along but its end, its metadata and who calls.
type Memory struct {
	caller Caller
	server *Server
}

// Memory connects to a server in this process.
func (c Caller) Memory(s *Server) Memory { return Memory{caller: c, server: s} }

// inside carries who calls to a server in this process, which needs no assertion of it.
type inside struct{}

// Invoke makes one call.
func (m Memory) Invoke(ctx context.Context, method string, in, out any, opts ...grpc.CallOption) error {
	ctx, cancel := m.caller.bounded(m.speak(ctx))
	defer cancel()
	return FromStatus(m.server.memory.Invoke(ctx, method, in, out, opts...))
}

// NewStream opens a stream.
func (m Memory) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return m.server.memory.NewStream(m.speak(ctx), desc, method, opts...)
}

func (m Memory) speak(ctx context.Context) context.Context {
	if id, ok := m.caller.who(ctx); ok {
		ctx = context.WithValue(ctx, inside{}, id)
	}
	if id := RequestIDOf(ctx); id != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, requestIDKey, id)
	}
	return ctx
}

// insider is who calls from inside this process, if somebody does.
func insider(ctx context.Context) (auth.Identity, bool) {
	calling := inprocgrpc.ClientContext(ctx)
	if calling == nil {
		return auth.Identity{}, false
	}
	id, ok := calling.Value(inside{}).(auth.Identity)
	return id, ok
}

// copier gives each side a message of its own, as a wire does.
type copier struct{}

// onItsWay is a message of a stream that was copied when it was sent, and that nobody else has.
type onItsWay struct{ proto.Message }

// Copy fills a message from another of the same type. One that is on its way is handed over as it is.
func (copier) Copy(out, in any) error {
	to, toOK := out.(proto.Message)
	if sent, ok := in.(onItsWay); ok {
		if in = sent.Message; toOK && to.ProtoReflect().Type() == sent.ProtoReflect().Type() {
			handOver(to.ProtoReflect(), sent.ProtoReflect())
			return nil
		}
	}
	from, fromOK := in.(proto.Message)
	if !toOK || !fromOK {
		return fmt.Errorf("%T can't be copied to %T", in, out)
	}
	proto.Reset(to)
	if to.ProtoReflect().Type() == from.ProtoReflect().Type() {
		proto.Merge(to, from)
		return nil
	}
	text, err := proto.Marshal(from) // one of them was made from the contract at run time
	if err != nil {
		return err
	}
	return proto.Unmarshal(text, to)
}

// handOver gives one message what another has, which is not used any more.
func handOver(to, from protoreflect.Message) {
	proto.Reset(to.Interface())
	from.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		to.Set(fd, v)
		return true
	})
	to.SetUnknown(from.GetUnknown())
}

// Clone makes a message like another, to be sent on a stream.
func (copier) Clone(in any) (any, error) {
	from, ok := in.(proto.Message)
	if !ok {
		return nil, fmt.Errorf("%T can't be copied", in)
	}
	return onItsWay{proto.Clone(from)}, nil
}

// gate knows the calls from inside this process, so that Stop can wait for them, and lets none in after that.
type gate struct {
	mu     sync.Mutex
	closed bool
	next   int
	under  map[int]context.CancelFunc // the calls under way
	calls  sync.WaitGroup
}

// enter begins a call, which ends with leave. Reason: SERVICE_UNREACHABLE.
func (g *gate) enter(ctx context.Context) (_ context.Context, leave func(), err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed {
		return ctx, nil, fault.New(fault.Unavailable, "SERVICE_UNREACHABLE", "This part of the suite is stopping. Send the same request again in a moment.")
	}
	ctx, cancel := context.WithCancel(ctx)
	g.next++
	mine := g.next
	g.under[mine] = cancel
	g.calls.Add(1)
	return ctx, func() {
		cancel()
		g.mu.Lock()
		delete(g.under, mine)
		g.mu.Unlock()
		g.calls.Done()
	}, nil
}

// close lets nobody in any more and waits for the calls under way.
func (g *gate) close() {
	g.mu.Lock()
	g.closed = true
	g.mu.Unlock()
	g.calls.Wait()
}

// cut ends the calls under way.
func (g *gate) cut() {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, cancel := range g.under {
		cancel()
	}
}

// unary lets a call in through the gate, to all that stands before every call.
func (g *gate) unary(next grpc.UnaryServerInterceptor) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
		ctx, leave, err := g.enter(ctx)
		if err != nil {
			return nil, ToStatus(err)
		}
		defer leave()
		roomy()
		return next(ctx, req, info, handle)
	}
}

// roomy makes the stack of a goroutine as large as a call needs, while there is little on it: every call in memory has a goroutine of its own, and
// its stack would be copied with all that is on it each time that it doubles.
//
//go:noinline
func roomy() {
	var room [16 << 10]byte
	runtime.KeepAlive(&room)
}

// stream does for streams what unary does for calls.
func (g *gate) stream(next grpc.StreamServerInterceptor) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
		ctx, leave, err := g.enter(stream.Context())
		if err != nil {
			return ToStatus(err)
		}
		defer leave()
		return next(srv, identified{ServerStream: stream, ctx: ctx}, info, handle)
	}
}
