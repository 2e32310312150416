package server

import (
	"context"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type packs struct {
	compliancev1.UnimplementedRecordPackServiceServer

	app *app.App
}

// registerPacks adds record packs. A pack holds what was fitted, whoever it belongs to, so callers who are limited to owners have none.
func registerPacks(r rpc.Registrar, a *app.App) {
	r.Register(&compliancev1.RecordPackService_ServiceDesc, &packs{app: a}, auth.Policy{}.For("coldsection.compliance.v1.RecordPackService",
		[]string{"quality"}, "CreateRecordPack", "GetRecordPack", "ListRecordPacks", "DownloadRecordPack"))
	if a.Operations != nil {
		a.Operations.Register(r)
	}
}

func (p *packs) CreateRecordPack(ctx context.Context, req *compliancev1.CreateRecordPackRequest) (*longrunningpb.Operation, error) {
	return p.app.CreateRecordPack(ctx, req)
}

func (p *packs) GetRecordPack(ctx context.Context, req *compliancev1.GetRecordPackRequest) (*compliancev1.RecordPack, error) {
	return store.RecordPacks.Read(ctx, p.app.DB, req.GetName())
}

func (p *packs) ListRecordPacks(ctx context.Context, req *compliancev1.ListRecordPacksRequest) (*compliancev1.ListRecordPacksResponse, error) {
	items, next, err := store.RecordPacks.List(ctx, p.app.DB, p.app.Lister, req, "")
	return &compliancev1.ListRecordPacksResponse{RecordPacks: items, NextPageToken: next}, err
}

func (p *packs) DownloadRecordPack(ctx context.Context, req *compliancev1.DownloadRecordPackRequest) (*compliancev1.DownloadRecordPackResponse, error) {
	return p.app.DownloadRecordPack(ctx, req)
}
