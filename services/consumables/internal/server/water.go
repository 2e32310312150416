package server

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
)

// waterCommands serves what is made here and the operator's own grades.
type waterCommands struct {
	consumablesv1.UnimplementedWaterServiceServer

	app *app.App
}

func waterPolicy() auth.Policy {
	const service = "coldsection.consumables.v1.WaterService"
	return auth.Policy{}.For(service, []string{"stores", "technician"}, "CreateProductionRun").For(service, []string{"quality"}, "CreateWaterGrade", "ReviseWaterGrade")
}

func (s *waterCommands) CreateProductionRun(ctx context.Context, req *consumablesv1.CreateProductionRunRequest) (*consumablesv1.ProductionRun, error) {
	return s.app.CreateProductionRun(ctx, req)
}

func (s *waterCommands) CreateWaterGrade(ctx context.Context, req *consumablesv1.CreateWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	return s.app.CreateWaterGrade(ctx, req)
}

func (s *waterCommands) ReviseWaterGrade(ctx context.Context, req *consumablesv1.ReviseWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	return s.app.ReviseWaterGrade(ctx, req)
}

// waterQueries reads them, for every signed-in caller.
type waterQueries struct {
	consumablesv1.UnimplementedWaterQueryServiceServer

	app *app.App
}

func waterQueryPolicy() auth.Policy {
	return auth.Policy{}.For("coldsection.consumables.v1.WaterQueryService", []string{auth.SignedIn}, "GetProductionRun", "ListProductionRuns", "GetWaterGrade")
}

func (q *waterQueries) GetProductionRun(ctx context.Context, req *consumablesv1.GetProductionRunRequest) (*consumablesv1.ProductionRun, error) {
	return store.ProductionRuns.Read(ctx, q.app.DB, req.GetName())
}

func (q *waterQueries) ListProductionRuns(ctx context.Context, req *consumablesv1.ListProductionRunsRequest) (*consumablesv1.ListProductionRunsResponse, error) {
	runs, next, err := store.ProductionRuns.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListProductionRunsResponse{ProductionRuns: runs, NextPageToken: next}, err
}

func (q *waterQueries) GetWaterGrade(ctx context.Context, req *consumablesv1.GetWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	return q.app.GetWaterGrade(ctx, req)
}
