// Package operations serves the long-running operations of all services as one collection: an operation's id begins with the
// service that works it, and a list goes through the services one after the other.
package operations

import (
	"context"
	"maps"
	"slices"
	"strings"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/rpc"
)

// server asks the services on the caller's behalf; who may see what is decided there.
type server struct {
	operationsv1.UnimplementedOperationsServiceServer

	parts map[string]operationsv1.OperationsServiceClient
}

// Register adds the collection; backends reach the owners of the contract's packages, such as coldsection.performance.v1.
func Register(r rpc.Registrar, backends map[string]grpc.ClientConnInterface) {
	s := &server{parts: map[string]operationsv1.OperationsServiceClient{}}
	for pkg, conn := range backends {
		if names := strings.Split(pkg, "."); len(names) > 1 {
			s.parts[names[1]] = operationsv1.NewOperationsServiceClient(conn)
		}
	}
	r.Register(&operationsv1.OperationsService_ServiceDesc, s, operations.Policy())
}

// of is the service that works an operation. Reason: NOT_FOUND.
func (s *server) of(name string) (operationsv1.OperationsServiceClient, error) {
	part, _, _ := strings.Cut(strings.TrimPrefix(name, "operations/"), "-")
	if client := s.parts[part]; client != nil {
		return client, nil
	}
	return nil, fault.Missing(name)
}

// known is an answer of a service; one that works no operations has none.
func known(op *longrunningpb.Operation, err error, name string) (*longrunningpb.Operation, error) {
	if worksNone(err) {
		return nil, fault.Missing(name)
	}
	return op, err
}

func worksNone(err error) bool {
	f, ok := fault.As(rpc.FromStatus(err))
	return ok && f.Category == fault.Unimplemented
}

// GetOperation asks the operation's service.
func (s *server) GetOperation(ctx context.Context, req *operationsv1.GetOperationRequest) (*longrunningpb.Operation, error) {
	client, err := s.of(req.GetName())
	if err != nil {
		return nil, err
	}
	op, err := client.GetOperation(ctx, req)
	return known(op, err, req.GetName())
}

// CancelOperation asks the operation's service.
func (s *server) CancelOperation(ctx context.Context, req *operationsv1.CancelOperationRequest) (*longrunningpb.Operation, error) {
	client, err := s.of(req.GetName())
	if err != nil {
		return nil, err
	}
	op, err := client.CancelOperation(ctx, req)
	return known(op, err, req.GetName())
}

// WaitOperation asks the operation's service.
func (s *server) WaitOperation(ctx context.Context, req *operationsv1.WaitOperationRequest) (*longrunningpb.Operation, error) {
	client, err := s.of(req.GetName())
	if err != nil {
		return nil, err
	}
	op, err := client.WaitOperation(ctx, req)
	return known(op, err, req.GetName())
}

// ListOperations gives a page of one service; the token names the service that the next page is of, and its own token.
func (s *server) ListOperations(ctx context.Context, req *operationsv1.ListOperationsRequest) (*operationsv1.ListOperationsResponse, error) {
	parts := slices.Sorted(maps.Keys(s.parts))
	at := 0
	if token := req.GetPageToken(); token != "" {
		part, inner, _ := strings.Cut(token, ".")
		if at = slices.Index(parts, part); at < 0 {
			return nil, fault.Invalid("page_token", "PAGE_TOKEN_INVALID",
				"This page token does not belong to this request. Repeat the first request without a token, and change nothing between pages.")
		}
		req.PageToken = inner
	}
	for ; at < len(parts); at++ {
		page, err := s.parts[parts[at]].ListOperations(ctx, req)
		if err != nil && !worksNone(err) {
			return nil, err
		}
		if page.GetNextPageToken() != "" {
			page.NextPageToken = parts[at] + "." + page.GetNextPageToken()
			return page, nil
		}
		if len(page.GetOperations()) > 0 {
			if at+1 < len(parts) {
				page.NextPageToken = parts[at+1] + "."
			}
			return page, nil
		}
		req.PageToken = ""
	}
	return &operationsv1.ListOperationsResponse{}, nil
}
