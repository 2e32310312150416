package server

import (
	"context"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

// readings decides on single readings and gives them away.
type readings struct {
	performancev1.UnimplementedReadingsServiceServer

	app *app.App
}

// registerReadings adds the service with its policy.
func registerReadings(r rpc.Registrar, a *app.App) {
	const service = "coldsection.performance.v1.ReadingsService"
	p := auth.Policy{}.For(service, []string{"analyst"}, "HoldReading", "CorrectReading").For(service, []string{auth.SignedIn}, "ExportReadings")
	p.For(service, []string{"analyst", "technician", "integrator"}, "BulkImportReadings")
	r.Register(&performancev1.ReadingsService_ServiceDesc, &readings{app: a}, p)
	a.Operations.Register(r)
}

func (s *readings) HoldReading(ctx context.Context, req *performancev1.HoldReadingRequest) (*performancev1.Reading, error) {
	return s.app.HoldReading(ctx, req)
}

func (s *readings) CorrectReading(ctx context.Context, req *performancev1.CorrectReadingRequest) (*performancev1.Reading, error) {
	return s.app.CorrectReading(ctx, req)
}

func (s *readings) BulkImportReadings(ctx context.Context, req *performancev1.BulkImportReadingsRequest) (*longrunningpb.Operation, error) {
	return s.app.BulkImportReadings(ctx, req)
}

func (s *readings) ExportReadings(ctx context.Context, req *performancev1.ExportReadingsRequest) (*performancev1.ExportReadingsResponse, error) {
	return s.app.ExportReadings(ctx, req)
}
