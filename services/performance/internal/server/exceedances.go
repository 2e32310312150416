package server

import (
	"context"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// exceedances keeps what went beyond an engine's charts.
type exceedances struct {
	performancev1.UnimplementedExceedanceServiceServer

	app *app.App
}

// registerExceedances adds the service with its policy.
func registerExceedances(r rpc.Registrar, a *app.App) {
	const service = "coldsection.performance.v1.ExceedanceService"
	p := auth.Policy{}.For(service, []string{"technician", "analyst", "inspector", "quality", "integrator"}, "CreateEngineExceedance")
	p.For(service, []string{"quality"}, "CloseEngineExceedance").For(service, []string{auth.SignedIn}, "GetEngineExceedance", "ListEngineExceedances")
	p.Scope(service, "GetEngineExceedance", "ListEngineExceedances")
	r.Register(&performancev1.ExceedanceService_ServiceDesc, &exceedances{app: a}, p)
}

func (s *exceedances) CreateEngineExceedance(ctx context.Context, req *performancev1.CreateEngineExceedanceRequest) (*performancev1.EngineExceedance, error) {
	return s.app.CreateEngineExceedance(ctx, req)
}

func (s *exceedances) GetEngineExceedance(ctx context.Context, req *performancev1.GetEngineExceedanceRequest) (*performancev1.EngineExceedance, error) {
	return s.app.EngineExceedance(ctx, req.GetName())
}

func (s *exceedances) ListEngineExceedances(ctx context.Context, req *performancev1.ListEngineExceedancesRequest) (*performancev1.ListEngineExceedancesResponse, error) {
	found, next, err := store.Exceedances.List(ctx, s.app.DB, s.app.Lister, req, scope(req.GetParent(), "/engineExceedances"))
	return &performancev1.ListEngineExceedancesResponse{EngineExceedances: found, NextPageToken: next}, err
}

func (s *exceedances) CloseEngineExceedance(ctx context.Context, req *performancev1.CloseEngineExceedanceRequest) (*performancev1.EngineExceedance, error) {
	return s.app.CloseEngineExceedance(ctx, req)
}
