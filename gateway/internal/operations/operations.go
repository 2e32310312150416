// Package operations serves the long-running operations, the parked facts and the record chains of all services as one collection each: an id begins with the
// service that has it, and a list goes through the services one after the other.
package operations

import (
	"context"
	"maps"
	"slices"
	"strings"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/chains"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/parking"
	"coldsection.example/services/platform/rpc"
)

// server asks the services on the caller's behalf; who may see what is decided there.
type server struct {
	operationsv1.UnimplementedOperationsServiceServer

	parts map[string]operationsv1.OperationsServiceClient
}

// partsOf are clients of all services by their name.
func partsOf[C any](backends map[string]grpc.ClientConnInterface, client func(grpc.ClientConnInterface) C) map[string]C {
	parts := map[string]C{}
	for pkg, conn := range backends {
		if names := strings.Split(pkg, "."); len(names) > 1 {
			parts[names[1]] = client(conn)
		}
	}
	return parts
}

// Register adds the collection; backends reach the owners of the contract's packages, such as coldsection.performance.v1.
func Register(r rpc.Registrar, backends map[string]grpc.ClientConnInterface) {
	r.Register(&operationsv1.OperationsService_ServiceDesc, &server{parts: partsOf(backends, operationsv1.NewOperationsServiceClient)}, operations.Policy())
	r.Register(&operationsv1.ParkedFactsService_ServiceDesc, &parked{parts: partsOf(backends, operationsv1.NewParkedFactsServiceClient)}, parking.Policy())
	r.Register(&operationsv1.RecordChainsService_ServiceDesc, &chained{parts: partsOf(backends, operationsv1.NewRecordChainsServiceClient)}, chains.Policy())
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

// ListOperations gives a page of one service.
func (s *server) ListOperations(ctx context.Context, req *operationsv1.ListOperationsRequest) (out *operationsv1.ListOperationsResponse, err error) {
	out = &operationsv1.ListOperationsResponse{}
	out.NextPageToken, err = walk(slices.Sorted(maps.Keys(s.parts)), req.GetPageToken(), func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := s.parts[part].ListOperations(ctx, req)
		out.Operations = page.GetOperations()
		return page.GetNextPageToken(), len(out.GetOperations()), err
	})
	return out, err
}

// walk asks one service after the other for a page until one has rows; the token names the service that the next page is of, and its own
// token. Reason: PAGE_TOKEN_INVALID.
func walk(parts []string, token string, ask func(part, token string) (next string, rows int, err error)) (string, error) {
	at, inner := 0, ""
	if token != "" {
		var part string
		part, inner, _ = strings.Cut(token, ".")
		if at = slices.Index(parts, part); at < 0 {
			return "", fault.Invalid("page_token", "PAGE_TOKEN_INVALID",
				"This page token does not belong to this request. Repeat the first request without a token, and change nothing between pages.")
		}
	}
	for ; at < len(parts); at, inner = at+1, "" {
		next, rows, err := ask(parts[at], inner)
		switch {
		case err != nil && !worksNone(err):
			return "", err
		case next != "":
			return parts[at] + "." + next, nil
		case rows > 0 && at+1 < len(parts):
			return parts[at+1] + ".", nil
		case rows > 0:
			return "", nil
		}
	}
	return "", nil
}
