package rpc

import (
	"context"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	"coldsection.example/services/platform/ids"
)

// requestID carries the id of a request, which the lines of the log about it have too.
type requestID struct{}

// maxRequestID is how many characters an id may have that a caller chose; our own are shorter.
const maxRequestID = 128

// GoodRequestID says whether a caller's id may stand in a log, a header and an answer: it is short, and of visible ASCII characters only.
func GoodRequestID(id string) bool {
	return id != "" && len(id) <= maxRequestID && strings.IndexFunc(id, func(r rune) bool { return r <= ' ' || r > '~' }) < 0
}

// WithRequestID names the request that the calls of a context are made for.
func WithRequestID(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, requestID{}, id)
}

// RequestIDOf is the id of the request that is being answered; "" outside of one.
func RequestIDOf(ctx context.Context) string {
	id, _ := ctx.Value(requestID{}).(string)
	return id
}

// RequestIDKey is the metadata key under which a caller names its request.
const RequestIDKey = requestIDKey

// NameRequest names a request as its caller did, if that may stand in a log, or anew.
func NameRequest(asked string, source ids.Source) string {
	if GoodRequestID(asked) {
		return asked
	}
	return source.New()
}

// numbered names a request as its caller did, or anew.
func (s *Server) numbered(ctx context.Context) (context.Context, string) {
	id := NameRequest(incoming(ctx, requestIDKey), s.deps.IDs)
	return WithRequestID(ctx, id), id
}

// number is the outermost step: all below knows the id of the request, and whoever is refused is told it.
func (s *Server) number(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	ctx, id := s.numbered(ctx)
	resp, err := next(ctx, req)
	return resp, WithRequest(err, id)
}

// WithRequest adds to a status the id of the request that it answers.
func WithRequest(err error, id string) error {
	if err == nil {
		return nil
	}
	s := status.Convert(err)
	for _, d := range s.Details() {
		if _, told := d.(*errdetails.RequestInfo); told {
			return err
		}
	}
	told, failed := s.WithDetails(&errdetails.RequestInfo{RequestId: id})
	if failed != nil {
		return err
	}
	return told.Err()
}
