// Package server is the gRPC side of engine performance: it calls one use case per method. Shape and rights are checked
// before, by package rpc; errors are mapped there too.
package server

import (
	"context"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type commands struct {
	unbuilt
	*app.App
}

var _ performancev1.PerformanceServiceServer = (*commands)(nil)

// unbuilt lies one level deeper than the use cases, so that they come first; what is not built answers UNIMPLEMENTED.
type unbuilt struct {
	performancev1.UnimplementedPerformanceServiceServer
}

type queries struct {
	performancev1.UnimplementedPerformanceQueryServiceServer

	app *app.App
}

// Register adds the services with their policies.
func Register(r rpc.Registrar, a *app.App) {
	const service = "coldsection.performance.v1.PerformanceService"
	p := auth.Policy{}.For(service, []string{"analyst", "admin"}, "CreateEngineModel", "UpdateEngineModel")
	p.For(service, []string{"analyst", "technician", "integrator"}, "ImportReadings", "CreateReading", "CreateEngineEvent")
	p.For(service, []string{"analyst", "integrator"}, "StreamReadings").For(service, []string{"analyst"}, "ExcludeReading", "IncludeReading", "WithdrawEngineEvent")
	r.Register(&performancev1.PerformanceService_ServiceDesc, &commands{App: a}, p)
	query := auth.Policy{}
	for _, m := range performancev1.PerformanceQueryService_ServiceDesc.Methods {
		query.For("coldsection.performance.v1.PerformanceQueryService", []string{auth.SignedIn}, m.MethodName)
	}
	query.Scope("coldsection.performance.v1.PerformanceQueryService", "GetReading", "ListReadings", "ListEngineEvents", "GetAssessment", "ListAssessments",
		"ListWashAdvices", "GetRecovery", "ListRecoveries", "RenderEngineExceedance")
	r.Register(&performancev1.PerformanceQueryService_ServiceDesc, &queries{app: a}, query)
	registerCalculations(r, a)
	registerReadings(r, a)
	registerBaselines(r, a)
	registerExceedances(r, a)
}

// StreamReadings checks each message's shape as the calls' interceptor does; one that breaks the contract ends the stream.
func (c *commands) StreamReadings(stream grpc.ClientStreamingServer[performancev1.StreamReadingsRequest, performancev1.StreamReadingsResponse]) error {
	resp, err := c.App.StreamReadings(stream.Context(), func() (*performancev1.StreamReadingsRequest, error) {
		req, err := stream.Recv()
		if err != nil || wellFormed(req) {
			return req, err
		}
		return req, rpc.Validate(protovalidate.GlobalValidator, req)
	})
	if err != nil {
		return err
	}
	return stream.SendAndClose(resp)
}

func (q *queries) GetEngineModel(ctx context.Context, req *performancev1.GetEngineModelRequest) (*performancev1.EngineModel, error) {
	return q.app.EngineModel(ctx, req)
}

func (q *queries) ListEngineModels(ctx context.Context, req *performancev1.ListEngineModelsRequest) (*performancev1.ListEngineModelsResponse, error) {
	models, next, err := store.Models.List(ctx, q.app.DB, q.app.Lister, req, "")
	for _, m := range models {
		m.Baseline = nil
	}
	return &performancev1.ListEngineModelsResponse{EngineModels: models, NextPageToken: next}, err
}

func (q *queries) GetReading(ctx context.Context, req *performancev1.GetReadingRequest) (*performancev1.Reading, error) {
	return store.Readings.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListReadings(ctx context.Context, req *performancev1.ListReadingsRequest) (*performancev1.ListReadingsResponse, error) {
	readings, next, err := store.Readings.List(ctx, q.app.DB, q.app.Lister, req, scope(req.GetParent(), "/readings"))
	return &performancev1.ListReadingsResponse{Readings: readings, NextPageToken: next}, err
}

// scope is the prefix of names under a parent; "x/-" spans all.
func scope(parent, collection string) string {
	if strings.HasSuffix(parent, "/-") {
		return parent
	}
	return parent + collection
}

func (q *queries) ExplainReading(ctx context.Context, req *performancev1.ExplainReadingRequest) (*performancev1.ExplainReadingResponse, error) {
	return q.app.ExplainReading(ctx, req.GetName())
}

func (q *queries) ListEngineEvents(ctx context.Context, req *performancev1.ListEngineEventsRequest) (*performancev1.ListEngineEventsResponse, error) {
	events, next, err := store.Events.List(ctx, q.app.DB, q.app.Lister, req, scope(req.GetParent(), "/engineEvents"))
	return &performancev1.ListEngineEventsResponse{EngineEvents: events, NextPageToken: next}, err
}

func (q *queries) GetAssessment(ctx context.Context, req *performancev1.GetAssessmentRequest) (*performancev1.Assessment, error) {
	return store.Assessments.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListAssessments(ctx context.Context, req *performancev1.ListAssessmentsRequest) (*performancev1.ListAssessmentsResponse, error) {
	found, next, err := store.Assessments.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &performancev1.ListAssessmentsResponse{Assessments: found, NextPageToken: next}, err
}

func (q *queries) ListWashAdvices(ctx context.Context, req *performancev1.ListWashAdvicesRequest) (*performancev1.ListWashAdvicesResponse, error) {
	found, next, err := store.Advices.List(ctx, q.app.DB, q.app.Lister, req, scope(req.GetParent(), "/washAdvices"))
	return &performancev1.ListWashAdvicesResponse{WashAdvices: found, NextPageToken: next}, err
}

func (q *queries) GetTrend(ctx context.Context, req *performancev1.GetTrendRequest) (*performancev1.Trend, error) {
	return q.app.Trend(ctx, req)
}

func (q *queries) RenderTrend(ctx context.Context, req *performancev1.RenderTrendRequest) (*performancev1.RenderTrendResponse, error) {
	return q.app.RenderTrend(ctx, req)
}

func (q *queries) RenderEngineExceedance(ctx context.Context, req *performancev1.RenderEngineExceedanceRequest) (*performancev1.RenderEngineExceedanceResponse, error) {
	return q.app.RenderEngineExceedance(ctx, req)
}

func (q *queries) GetRecovery(ctx context.Context, req *performancev1.GetRecoveryRequest) (*performancev1.Recovery, error) {
	return store.Recoveries.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListRecoveries(ctx context.Context, req *performancev1.ListRecoveriesRequest) (*performancev1.ListRecoveriesResponse, error) {
	found, next, err := store.Recoveries.List(ctx, q.app.DB, q.app.Lister, req, scope(req.GetParent(), "/recoveries"))
	return &performancev1.ListRecoveriesResponse{Recoveries: found, NextPageToken: next}, err
}
