package server

import (
	"context"

	"buf.build/go/protovalidate"
	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type exchange struct {
	compliancev1.UnimplementedExchangeServiceServer

	app *app.App
}

type visits struct {
	compliancev1.UnimplementedVisitsServiceServer

	app *app.App
}

func registerExchange(r rpc.Registrar, a *app.App) {
	const service = "coldsection.compliance.v1.ExchangeService"
	r.Register(&compliancev1.ExchangeService_ServiceDesc, &exchange{app: a},
		auth.Policy{}.For(service, []string{auth.SignedIn}, "ExportDueItems", "ExportFleetTemplate").For(service, []string{"planner", "quality"}, "ImportFleet", "BulkImportFleet").
			Scope(service, "ExportDueItems"))
	r.Register(&compliancev1.VisitsService_ServiceDesc, &visits{app: a},
		auth.Policy{}.For("coldsection.compliance.v1.VisitsService", []string{auth.SignedIn}, "ProposeVisit").
			Scope("coldsection.compliance.v1.VisitsService", "ProposeVisit"))
}

func (e *exchange) ExportDueItems(ctx context.Context, req *compliancev1.ExportDueItemsRequest) (*compliancev1.ExportDueItemsResponse, error) {
	return e.app.ExportDueItems(ctx, req)
}

// Judge is the contract's judgement of a request, also of one that a row of a table makes.
func Judge(m proto.Message) error { return rpc.Validate(protovalidate.GlobalValidator, m) }

func (e *exchange) ImportFleet(ctx context.Context, req *compliancev1.ImportFleetRequest) (*compliancev1.ImportFleetResponse, error) {
	return e.app.ImportFleet(ctx, req)
}

func (e *exchange) BulkImportFleet(ctx context.Context, req *compliancev1.BulkImportFleetRequest) (*longrunningpb.Operation, error) {
	return e.app.BulkImportFleet(ctx, req)
}

func (e *exchange) ExportFleetTemplate(ctx context.Context, req *compliancev1.ExportFleetTemplateRequest) (*compliancev1.ExportFleetTemplateResponse, error) {
	return e.app.ExportFleetTemplate(ctx, req)
}

func (v *visits) ProposeVisit(ctx context.Context, req *compliancev1.ProposeVisitRequest) (*compliancev1.ProposeVisitResponse, error) {
	return v.app.ProposeVisit(ctx, req)
}
