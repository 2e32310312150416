package gateway

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"coldsection.example/gateway/internal/units"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/rpc"
)

// unitsAsked is the system in which an answer carries its amounts a second time: that of the call, else the account's; "" is none.
// Reason: UNIT_SYSTEM_UNKNOWN.
func unitsAsked(ctx context.Context) (quantity.System, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	if given := md.Get(units.Key); len(given) > 0 {
		return quantity.ParseSystem(given[0])
	}
	id, _ := auth.FromContext(ctx)
	return quantity.System(id.Units), nil
}

// inUnits makes a call and states the amounts of its answer in the system that was asked for. A system that nobody knows is
// refused before anything is done, and what only answers have is no part of a request.
func inUnits(ctx context.Context, req any, next grpc.UnaryHandler) (any, error) {
	system, err := unitsAsked(ctx)
	if err != nil {
		return nil, rpc.ToStatus(err)
	}
	stripped(req)
	resp, err := next(ctx, req)
	if m, ok := resp.(proto.Message); ok && err == nil && system != "" && units.Carries(m.ProtoReflect().Descriptor()) {
		m = proto.Clone(m) // it may be somebody's own
		units.Fill(m.ProtoReflect(), system)
		_ = grpc.SetHeader(ctx, metadata.Pairs(units.Key, string(system))) // over HTTP it is part of the etag
		return m, nil
	}
	return resp, err
}

func stripped(req any) {
	if m, ok := rpc.MessageOf(req); ok {
		units.Strip(m.ProtoReflect())
	}
}

// measured does for the messages of a stream what inUnits does for a call.
type measured struct {
	grpc.ServerStream

	system quantity.System
}

// RecvMsg takes a message without what only answers have.
func (s measured) RecvMsg(m any) error {
	err := s.ServerStream.RecvMsg(m)
	if err == nil {
		stripped(m)
	}
	return err
}

// SendMsg sends a message with its amounts in the system that was asked for.
func (s measured) SendMsg(m any) error {
	if out, ok := m.(proto.Message); ok && s.system != "" && units.Carries(out.ProtoReflect().Descriptor()) {
		out = proto.Clone(out)
		units.Fill(out.ProtoReflect(), s.system)
		m = out
	}
	return s.ServerStream.SendMsg(m)
}
