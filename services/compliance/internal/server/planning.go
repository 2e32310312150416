package server

import (
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// planning's use cases are its methods.
type planning struct {
	unplanned
	*app.App
}

var _ compliancev1.PlanningServiceServer = (*planning)(nil)

// unplanned lies one level deeper than the use cases, so that they come first.
type unplanned struct {
	compliancev1.UnimplementedPlanningServiceServer
}

func registerPlanning(r rpc.Registrar, a *app.App) {
	const service = "coldsection.compliance.v1.PlanningService"
	p := auth.Policy{}.For(service, []string{auth.SignedIn}, "GetFlyingPlan", "ListFlyingPlans", "FindFlyingPlanVersions", "ForecastDueItems")
	p.For(service, []string{"planner", "quality"}, "UpdateFlyingPlan", "RevokeFlyingPlan").
		Scope(service, "GetFlyingPlan", "ListFlyingPlans", "FindFlyingPlanVersions", "ForecastDueItems")
	r.Register(&compliancev1.PlanningService_ServiceDesc, &planning{App: a}, p)
}
