package server

import (
	"context"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// baselines learns baselines from the fleet.
type baselines struct {
	performancev1.UnimplementedBaselineServiceServer

	app *app.App
}

// registerBaselines adds the service with its policy.
func registerBaselines(r rpc.Registrar, a *app.App) {
	p := auth.Policy{}.For("coldsection.performance.v1.BaselineService", []string{"analyst"}, "LearnBaseline", "AdoptBaseline")
	r.Register(&performancev1.BaselineService_ServiceDesc, &baselines{app: a}, p)
}

func (s *baselines) LearnBaseline(ctx context.Context, req *performancev1.LearnBaselineRequest) (*performancev1.LearnBaselineResponse, error) {
	return s.app.LearnBaseline(ctx, req)
}

func (s *baselines) AdoptBaseline(ctx context.Context, req *performancev1.AdoptBaselineRequest) (*performancev1.EngineModel, error) {
	return s.app.AdoptBaseline(ctx, req)
}
