// Package server is the gRPC side of the stock service: it calls one use case per method. Checking of shape and rights is
// done before, by package rpc; errors are mapped there too.
package server

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
)

// commands serves what changes stock; its methods are the use cases themselves.
type commands struct {
	later
	*app.App
}

var _ consumablesv1.ConsumablesServiceServer = (*commands)(nil)

// later answers UNIMPLEMENTED for methods that the contract gains; it lies one level deeper than the use cases, so that they
// come first.
type later struct {
	consumablesv1.UnimplementedConsumablesServiceServer
}

type queries struct {
	consumablesv1.UnimplementedConsumablesQueryServiceServer

	app *app.App
}

// Register adds the services with their policies.
func Register(r rpc.Registrar, a *app.App) {
	r.Register(&consumablesv1.ConsumablesService_ServiceDesc, &commands{App: a}, commandPolicy())
	r.Register(&consumablesv1.ConsumablesQueryService_ServiceDesc, &queries{app: a}, queryPolicy())
	r.Register(&consumablesv1.WaterService_ServiceDesc, &waterCommands{app: a}, waterPolicy())
	r.Register(&consumablesv1.WaterQueryService_ServiceDesc, &waterQueries{app: a}, waterQueryPolicy())
	r.Register(&consumablesv1.RecipeService_ServiceDesc, &recipeCommands{app: a}, recipePolicy())
	r.Register(&consumablesv1.RecipeQueryService_ServiceDesc, &recipeQueries{app: a}, recipeQueryPolicy())
	r.Register(&consumablesv1.ScanningQueryService_ServiceDesc, &scanning{app: a}, scanningPolicy())
}

func commandPolicy() auth.Policy {
	const service = "coldsection.consumables.v1.ConsumablesService"
	p := auth.Policy{}.For(service, []string{"stores"}, "CreateItem", "UpdateItem", "ImportStock", "CreateLocation", "ReceiveLot", "RecordLotDocuments", "ClearLot", "IssueStock",
		"ReturnStock", "ReverseMovement", "DecantStock", "MoveStock", "DisposeStock", "CreateStockCount", "ApproveStockCount")
	p.For(service, []string{"stores", "technician"}, "CreateWaterTest", "BlendLots", "ConsumeStock")
	p.For(service, []string{"stores", "quality", "technician"}, "HoldLot")
	p.For(service, []string{"stores", "quality"}, "RecallLot")
	p.For(service, []string{"quality"}, "WithdrawRecall")
	return p.For(service, []string{"stores", "planner"}, "ReserveStock", "ReleaseReservation")
}

func queryPolicy() auth.Policy {
	p := auth.Policy{}
	var methods []string
	for _, m := range consumablesv1.ConsumablesQueryService_ServiceDesc.Methods {
		methods = append(methods, m.MethodName)
	}
	return p.For("coldsection.consumables.v1.ConsumablesQueryService", []string{auth.SignedIn}, methods...)
}

func (q *queries) GetItem(ctx context.Context, req *consumablesv1.GetItemRequest) (*consumablesv1.Item, error) {
	return q.app.GetItem(ctx, req)
}

func (q *queries) ListItems(ctx context.Context, req *consumablesv1.ListItemsRequest) (*consumablesv1.ListItemsResponse, error) {
	items, next, err := q.app.ListItems(ctx, req)
	return &consumablesv1.ListItemsResponse{Items: items, NextPageToken: next}, err
}

func (q *queries) LookUpItem(ctx context.Context, req *consumablesv1.LookUpItemRequest) (*consumablesv1.Item, error) {
	return q.app.LookUpItem(ctx, req)
}

func (q *queries) AdviseReorder(ctx context.Context, req *consumablesv1.AdviseReorderRequest) (*consumablesv1.AdviseReorderResponse, error) {
	return q.app.AdviseReorder(ctx, req)
}

func (q *queries) ExportStock(ctx context.Context, req *consumablesv1.ExportStockRequest) (*consumablesv1.ExportStockResponse, error) {
	return q.app.ExportStock(ctx, req)
}

func (q *queries) ListLocations(ctx context.Context, req *consumablesv1.ListLocationsRequest) (*consumablesv1.ListLocationsResponse, error) {
	places, next, err := store.Locations.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListLocationsResponse{Locations: places, NextPageToken: next}, err
}

func (q *queries) GetLot(ctx context.Context, req *consumablesv1.GetLotRequest) (*consumablesv1.Lot, error) {
	return store.Lots.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListLots(ctx context.Context, req *consumablesv1.ListLotsRequest) (*consumablesv1.ListLotsResponse, error) {
	lots, next, err := store.Lots.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListLotsResponse{Lots: lots, NextPageToken: next}, err
}

func (q *queries) LookUpLot(ctx context.Context, req *consumablesv1.LookUpLotRequest) (*consumablesv1.LookUpLotResponse, error) {
	return q.app.LookUpLot(ctx, req)
}

func (q *queries) SuggestLots(ctx context.Context, req *consumablesv1.SuggestLotsRequest) (*consumablesv1.SuggestLotsResponse, error) {
	return q.app.SuggestLots(ctx, req)
}

func (q *queries) ListWaterTests(ctx context.Context, req *consumablesv1.ListWaterTestsRequest) (*consumablesv1.ListWaterTestsResponse, error) {
	tests, next, err := store.WaterTests.List(ctx, q.app.DB, q.app.Lister, req, req.GetParent()+"/waterTests")
	return &consumablesv1.ListWaterTestsResponse{WaterTests: tests, NextPageToken: next}, err
}

func (q *queries) GetStockMovement(ctx context.Context, req *consumablesv1.GetStockMovementRequest) (*consumablesv1.StockMovement, error) {
	return store.Movements.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListStockMovements(ctx context.Context, req *consumablesv1.ListStockMovementsRequest) (*consumablesv1.ListStockMovementsResponse, error) {
	moves, next, err := store.Movements.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListStockMovementsResponse{StockMovements: moves, NextPageToken: next}, err
}

func (q *queries) ListReservations(ctx context.Context, req *consumablesv1.ListReservationsRequest) (*consumablesv1.ListReservationsResponse, error) {
	claims, next, err := store.Reservations.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListReservationsResponse{Reservations: claims, NextPageToken: next}, err
}

func (q *queries) ListStockDemands(ctx context.Context, req *consumablesv1.ListStockDemandsRequest) (*consumablesv1.ListStockDemandsResponse, error) {
	return store.ListDemands(ctx, q.app.DB, q.app.Lister, req)
}

func (q *queries) TraceLot(ctx context.Context, req *consumablesv1.TraceLotRequest) (*consumablesv1.TraceLotResponse, error) {
	return q.app.TraceLot(ctx, req)
}

func (q *queries) ListStockCounts(ctx context.Context, req *consumablesv1.ListStockCountsRequest) (*consumablesv1.ListStockCountsResponse, error) {
	counts, next, err := store.Counts.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListStockCountsResponse{StockCounts: counts, NextPageToken: next}, err
}

func (q *queries) ListWaterGrades(ctx context.Context, req *consumablesv1.ListWaterGradesRequest) (*consumablesv1.ListWaterGradesResponse, error) {
	grades, err := q.app.WaterGrades(ctx)
	if err != nil {
		return nil, err
	}
	page, next, err := listing.Slice(ctx, q.app.Lister, req, grades, (*consumablesv1.WaterGrade).GetName)
	return &consumablesv1.ListWaterGradesResponse{WaterGrades: page, NextPageToken: next}, err
}
