package rpc

import (
	"context"
	"errors"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
)

// readableService is a service whose methods answer bytes that are no message as what they are: a bad request, where the library says INTERNAL.
// What is larger than a method takes is refused before it is read. Reasons: REQUEST_UNREADABLE, REQUEST_TOO_LARGE.
func (s *Server) readableService(desc *grpc.ServiceDesc) *grpc.ServiceDesc {
	out := *desc
	out.Methods = make([]grpc.MethodDesc, len(desc.Methods))
	for i, m := range desc.Methods {
		out.Methods[i] = grpc.MethodDesc{MethodName: m.MethodName, Handler: s.readableMethod(m.Handler, largestOf(desc.ServiceName, m.MethodName))}
	}
	out.Streams = make([]grpc.StreamDesc, len(desc.Streams))
	for i, d := range desc.Streams {
		handle, limit := d.Handler, largestOf(desc.ServiceName, d.StreamName)
		d.Handler = func(srv any, stream grpc.ServerStream) error { return handle(srv, readableStream{stream, limit}) }
		out.Streams[i] = d
	}
	return &out
}

// attempt is a message to be read. The library tells the caller itself when its codec fails, so the codec of these never does.
type attempt struct {
	into  any
	limit int // bytes
	err   error
}

// MessageOf is the message that the receiver of a stream was handed; none where its bytes were none.
func MessageOf(received any) (proto.Message, bool) {
	if a, ok := received.(*attempt); ok {
		if a.err != nil {
			return nil, false
		}
		received = a.into
	}
	m, ok := received.(proto.Message)
	return m, ok
}

// attempts is the codec of protobuf, which reads attempts too.
type attempts struct{ encoding.CodecV2 }

// Unmarshal reads a message, or attempts to.
func (c attempts) Unmarshal(data mem.BufferSlice, v any) error {
	a, ok := v.(*attempt)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	if data.Len() > a.limit {
		a.err = TooLarge(a.limit)
		return nil
	}
	a.err = c.CodecV2.Unmarshal(data, a.into)
	return nil
}

// read receives a message of up to so many bytes. Reasons: REQUEST_UNREADABLE, REQUEST_TOO_LARGE.
func read(receive func(any) error, into any, limit int) error {
	a := &attempt{into: into, limit: limit}
	if err := receive(a); err != nil {
		return err
	}
	if f, refused := fault.As(a.err); refused {
		return f
	}
	if a.err != nil {
		return fault.Invalid("", "REQUEST_UNREADABLE", "The request's bytes are no message of this method. Check the version of the contract and send it again.").Because(a.err)
	}
	return nil
}

// readableMethod reads the request of a method, of up to so many bytes. What can't be read is refused before the chain that names the requests of all others.
func (s *Server) readableMethod(handle grpc.MethodHandler, limit int) grpc.MethodHandler {
	return func(srv any, ctx context.Context, decode func(any) error, chain grpc.UnaryServerInterceptor) (any, error) {
		if errors.Is(ctx.Err(), context.Canceled) {
			return nil, ctx.Err() // the caller took the call back before it was begun, and reads no words
		}
		return handle(srv, ctx, func(into any) error {
			err := read(decode, into, limit)
			if err == nil {
				return nil
			}
			_, id := s.numbered(ctx)
			return WithRequest(ToStatus(err), id)
		}, chain)
	}
}

// readableStream does the same for the messages of a stream.
type readableStream struct {
	grpc.ServerStream

	limit int
}

// RecvMsg reads a message.
func (r readableStream) RecvMsg(into any) error { return read(r.ServerStream.RecvMsg, into, r.limit) }
