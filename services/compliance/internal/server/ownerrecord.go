package server

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type ownerRecord struct {
	compliancev1.UnimplementedOwnerRecordServiceServer

	app *app.App
}

func registerOwnerRecord(r rpc.Registrar, a *app.App) {
	const service = "coldsection.compliance.v1.OwnerRecordService"
	r.Register(&compliancev1.OwnerRecordService_ServiceDesc, &ownerRecord{app: a},
		auth.Policy{}.For(service, []string{auth.SignedIn}, "GetReleaseEntry", "ListReleaseEntries", "CheckOperation").
			For(service, []string{"planner", "quality"}, "EnterRelease").
			Scope(service, "GetReleaseEntry", "ListReleaseEntries", "CheckOperation"))
}

func (o *ownerRecord) GetReleaseEntry(ctx context.Context, req *compliancev1.GetReleaseEntryRequest) (*compliancev1.ReleaseEntry, error) {
	return store.ReleaseEntries.Read(ctx, o.app.DB, req.GetName())
}

func (o *ownerRecord) ListReleaseEntries(ctx context.Context, req *compliancev1.ListReleaseEntriesRequest) (*compliancev1.ListReleaseEntriesResponse, error) {
	items, next, err := store.ReleaseEntries.List(ctx, o.app.DB, o.app.Lister, req, "")
	return &compliancev1.ListReleaseEntriesResponse{ReleaseEntries: items, NextPageToken: next}, err
}

func (o *ownerRecord) EnterRelease(ctx context.Context, req *compliancev1.EnterReleaseRequest) (*compliancev1.ReleaseEntry, error) {
	return o.app.EnterRelease(ctx, req)
}

func (o *ownerRecord) CheckOperation(ctx context.Context, req *compliancev1.CheckOperationRequest) (*compliancev1.CheckOperationResponse, error) {
	return o.app.CheckOperation(ctx, req)
}
