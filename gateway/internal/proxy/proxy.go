// Package proxy serves the services of the contract by asking the part of the suite that owns them.
//
// A service is registered like one of our own, so that every call passes the same chain; the call is then made on the
// caller's behalf. Who may do what is decided by the owner.
package proxy

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/gateway/internal/beside"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/rpc"
)

// Register adds every service of a proto package, such as coldsection.consumables.v1, to a server; conn reaches its owner.
func Register(r rpc.Registrar, pkg string, conn grpc.ClientConnInterface) error {
	found := false
	var failure error
	protoregistry.GlobalFiles.RangeFilesByPackage(protoreflect.FullName(pkg), func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			found = true
			if failure = registerService(r, file.Services().Get(i), conn); failure != nil {
				return false
			}
		}
		return true
	})
	if failure == nil && !found {
		failure = fmt.Errorf("the contract has no services in package %s", pkg)
	}
	return failure
}

func registerService(r rpc.Registrar, service protoreflect.ServiceDescriptor, conn grpc.ClientConnInterface) error {
	desc := &grpc.ServiceDesc{ServiceName: string(service.FullName()), Metadata: service.ParentFile().Path()}
	policy := auth.Policy{}
	for i := range service.Methods().Len() {
		m := service.Methods().Get(i)
		f, err := newForwarder(m, conn)
		if err != nil {
			return err
		}
		if m.IsStreamingClient() || m.IsStreamingServer() {
			desc.Streams = append(desc.Streams, grpc.StreamDesc{
				StreamName: string(m.Name()), Handler: f.stream, ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer(),
			})
		} else {
			desc.Methods = append(desc.Methods, grpc.MethodDesc{MethodName: string(m.Name()), Handler: f.unary})
		}
		policy.For(desc.ServiceName, []string{auth.Anyone}, string(m.Name()))
	}
	r.Register(desc, nil, policy)
	return nil
}

// forwarder makes one method's calls on a connection.
type forwarder struct {
	method        string
	input, output protoreflect.MessageType
	desc          grpc.StreamDesc
	conn          grpc.ClientConnInterface
}

func newForwarder(m protoreflect.MethodDescriptor, conn grpc.ClientConnInterface) (*forwarder, error) {
	input, err := protoregistry.GlobalTypes.FindMessageByName(m.Input().FullName())
	if err != nil {
		return nil, err
	}
	output, err := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
	if err != nil {
		return nil, err
	}
	return &forwarder{
		method: fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name()), input: input, output: output, conn: conn,
		desc: grpc.StreamDesc{StreamName: string(m.Name()), ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer()},
	}, nil
}

// outgoing carries the idempotency key on; the identity is added by the connection.
func outgoing(ctx context.Context) context.Context {
	md, _ := metadata.FromIncomingContext(ctx)
	if v := md.Get(idempotency.MetadataKey); len(v) > 0 {
		return metadata.AppendToOutgoingContext(ctx, idempotency.MetadataKey, v[0])
	}
	return ctx
}

//nolint:revive // the order of arguments is grpc.MethodDesc's
func (f *forwarder) unary(_ any, ctx context.Context, decode func(any) error, chain grpc.UnaryServerInterceptor) (any, error) {
	in := f.input.New().Interface()
	if err := decode(in); err != nil {
		return nil, err
	}
	call := func(ctx context.Context, req any) (any, error) {
		out := f.output.New().Interface()
		var told metadata.MD
		err := f.conn.Invoke(outgoing(ctx), f.method, req, out, grpc.Header(&told))
		idempotency.PassOn(ctx, told)
		return out, err
	}
	if chain == nil {
		return call(ctx, in)
	}
	return chain(ctx, in, &grpc.UnaryServerInfo{FullMethod: f.method}, call)
}

// stream copies messages both ways until both sides are done or one fails.
func (f *forwarder) stream(_ any, from grpc.ServerStream) error {
	ctx, cancel := context.WithCancel(outgoing(from.Context()))
	defer cancel()
	to, err := f.conn.NewStream(ctx, &f.desc, f.method)
	if err != nil {
		return err
	}
	sent := make(chan error, 1)
	go func() {
		sent <- beside.Do(ctx, nil, "passing a stream on", func() error { return relay(f.input, from.RecvMsg, to.SendMsg) })
		_ = to.CloseSend()
	}()
	err = relay(f.output, to.RecvMsg, from.SendMsg)
	if errors.Is(err, io.EOF) {
		return nil
	}
	select {
	case up := <-sent:
		if fault.HasReason(up, "UNKNOWN_FIELD") || fault.HasReason(up, "REQUEST_UNREADABLE") || fault.HasReason(up, "REQUEST_TOO_LARGE") {
			return up
		}
	default:
	}
	return rpc.FromStatus(err)
}

// relay passes messages on until one side ends; io.EOF is a good end.
func relay(typ protoreflect.MessageType, receive, send func(any) error) error {
	for {
		m := typ.New().Interface()
		if err := receive(m); err != nil {
			return err
		}
		if len(m.ProtoReflect().GetUnknown()) > 0 {
			return fault.Invalid("", "UNKNOWN_FIELD", "The message has a field that the contract does not know. Check the version of the contract.")
		}
		if err := send(m); err != nil {
			return err
		}
	}
}
