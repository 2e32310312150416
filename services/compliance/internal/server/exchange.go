package server

import (
	"context"

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
	r.Register(&compliancev1.ExchangeService_ServiceDesc, &exchange{app: a},
		auth.Policy{}.For("coldsection.compliance.v1.ExchangeService", []string{auth.SignedIn}, "ExportDueItems"))
	r.Register(&compliancev1.VisitsService_ServiceDesc, &visits{app: a},
		auth.Policy{}.For("coldsection.compliance.v1.VisitsService", []string{auth.SignedIn}, "ProposeVisit"))
}

func (e *exchange) ExportDueItems(ctx context.Context, req *compliancev1.ExportDueItemsRequest) (*compliancev1.ExportDueItemsResponse, error) {
	return e.app.ExportDueItems(ctx, req)
}

func (v *visits) ProposeVisit(ctx context.Context, req *compliancev1.ProposeVisitRequest) (*compliancev1.ProposeVisitResponse, error) {
	return v.app.ProposeVisit(ctx, req)
}
