package server

import (
	"context"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type packs struct {
	compliancev1.UnimplementedRecordPackServiceServer

	app *app.App
}

// registerPacks adds record packs. A pack of a caller who is limited to owners holds what is theirs.
func registerPacks(r rpc.Registrar, a *app.App) {
	const service = "coldsection.compliance.v1.RecordPackService"
	r.Register(&compliancev1.RecordPackService_ServiceDesc, &packs{app: a},
		auth.Policy{}.For(service, []string{"quality"}, "CreateRecordPack", "GetRecordPack", "ListRecordPacks", "DownloadRecordPack").
			Scope(service, "CreateRecordPack", "GetRecordPack", "ListRecordPacks", "DownloadRecordPack"))
	if a.Operations != nil {
		a.Operations.Register(r)
	}
}

func (p *packs) CreateRecordPack(ctx context.Context, req *compliancev1.CreateRecordPackRequest) (*longrunningpb.Operation, error) {
	return p.app.CreateRecordPack(ctx, req)
}

func (p *packs) GetRecordPack(ctx context.Context, req *compliancev1.GetRecordPackRequest) (*compliancev1.RecordPack, error) {
	return p.app.GetRecordPack(ctx, req.GetName())
}

func (p *packs) ListRecordPacks(ctx context.Context, req *compliancev1.ListRecordPacksRequest) (*compliancev1.ListRecordPacksResponse, error) {
	return p.app.ListRecordPacks(ctx, req)
}

func (p *packs) DownloadRecordPack(ctx context.Context, req *compliancev1.DownloadRecordPackRequest) (*compliancev1.DownloadRecordPackResponse, error) {
	return p.app.DownloadRecordPack(ctx, req)
}
