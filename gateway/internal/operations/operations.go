// Package operations serves the long-running operations, the parked facts and the record chains of all services as one collection each: an id begins with the
// service that has it, and a list goes through the services one after the other.
package operations

import (
	"context"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/chains"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/parking"
	"coldsection.example/services/platform/rpc"
)

// server asks the services on the caller's behalf; who may see what is decided there.
type server struct {
	operationsv1.UnimplementedOperationsServiceServer

	parts parts[operationsv1.OperationsServiceClient]
}

// Deps are what the collections need.
type Deps struct {
	Backends map[string]grpc.ClientConnInterface // to the owners of the contract's packages, such as coldsection.performance.v1
	Keys     *auth.Keys                          // seal page tokens
	Clock    clock.Clock                         // says how old these are
}

// Register adds the collections.
func Register(r rpc.Registrar, d Deps) {
	r.Register(&operationsv1.OperationsService_ServiceDesc, &server{parts: partsOf("operations/", d, operationsv1.NewOperationsServiceClient)}, operations.Policy())
	r.Register(&operationsv1.ParkedFactsService_ServiceDesc, &parked{parts: partsOf("parkedFacts/", d, operationsv1.NewParkedFactsServiceClient)}, parking.Policy())
	r.Register(&operationsv1.RecordChainsService_ServiceDesc, &chained{parts: partsOf("recordChains/", d, operationsv1.NewRecordChainsServiceClient)}, chains.Policy())
}

// known is an answer of a service; one that works no operations has none.
func known(op *longrunningpb.Operation, err error, name string) (*longrunningpb.Operation, error) {
	if worksNone(err) {
		return nil, fault.Missing(name)
	}
	return op, err
}

// GetOperation asks the operation's service.
func (s *server) GetOperation(ctx context.Context, req *operationsv1.GetOperationRequest) (*longrunningpb.Operation, error) {
	op, err := ask(ctx, s.parts, req, operationsv1.OperationsServiceClient.GetOperation)
	return known(op, err, req.GetName())
}

// CancelOperation asks the operation's service.
func (s *server) CancelOperation(ctx context.Context, req *operationsv1.CancelOperationRequest) (*longrunningpb.Operation, error) {
	op, err := ask(ctx, s.parts, req, operationsv1.OperationsServiceClient.CancelOperation)
	return known(op, err, req.GetName())
}

// WaitOperation asks the operation's service.
func (s *server) WaitOperation(ctx context.Context, req *operationsv1.WaitOperationRequest) (*longrunningpb.Operation, error) {
	op, err := ask(ctx, s.parts, req, operationsv1.OperationsServiceClient.WaitOperation)
	return known(op, err, req.GetName())
}

// ListOperations gives a page of one service.
func (s *server) ListOperations(ctx context.Context, req *operationsv1.ListOperationsRequest) (out *operationsv1.ListOperationsResponse, err error) {
	out = &operationsv1.ListOperationsResponse{}
	out.NextPageToken, err = s.parts.walk(ctx, req, func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := s.parts.by[part].ListOperations(ctx, req)
		out.Operations = page.GetOperations()
		return page.GetNextPageToken(), len(out.GetOperations()), err
	})
	return out, err
}
