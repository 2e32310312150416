package server

import (
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// calculations answer without changing anything, so the use cases are the methods.
type calculations struct {
	uncalculated
	*app.App
}

var _ performancev1.PerformanceCalculationServiceServer = (*calculations)(nil)

// uncalculated lies one level deeper than the use cases, so that they come first.
type uncalculated struct {
	performancev1.UnimplementedPerformanceCalculationServiceServer
}

func registerCalculations(r rpc.Registrar, a *app.App) {
	p := auth.Policy{}
	for _, m := range performancev1.PerformanceCalculationService_ServiceDesc.Methods {
		p.For("coldsection.performance.v1.PerformanceCalculationService", []string{auth.SignedIn}, m.MethodName)
	}
	r.Register(&performancev1.PerformanceCalculationService_ServiceDesc, &calculations{App: a}, p)
}
