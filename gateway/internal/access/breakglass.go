package access

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// BreakGlass implements BreakGlassService and BreakGlassQueryService.
type BreakGlass struct {
	accessv1.UnimplementedBreakGlassServiceServer
	accessv1.UnimplementedBreakGlassQueryServiceServer

	Store  *accounts.Store
	Lister *listing.Lister
}

// Register adds the services to a server, with who may call what.
func (b *BreakGlass) Register(r rpc.Registrar) {
	watchers := []string{"quality", "admin"}
	write, query := &accessv1.BreakGlassService_ServiceDesc, &accessv1.BreakGlassQueryService_ServiceDesc
	r.Register(write, b, auth.Policy{}.For(write.ServiceName, []string{"admin"}, "SealBreakGlass").
		For(write.ServiceName, []string{auth.Anyone}, "OpenBreakGlass").
		For(write.ServiceName, watchers, "ReviewBreakGlassUse"))
	r.Register(query, b, auth.Policy{}.For(query.ServiceName, watchers, "GetBreakGlassUse", "ListBreakGlassUses"))
}

// SealBreakGlass makes a new secret; a repeated request makes another one, because secrets are kept as hashes only.
func (b *BreakGlass) SealBreakGlass(ctx context.Context, _ *accessv1.SealBreakGlassRequest) (*accessv1.SealBreakGlassResponse, error) {
	secret, at, err := b.Store.SealBreakGlass(ctx)
	if err != nil {
		return nil, err
	}
	return &accessv1.SealBreakGlassResponse{Account: accounts.BreakGlass, Secret: secret, CreateTime: timestamppb.New(at)}, nil
}

// OpenBreakGlass opens the session and raises the alarm.
func (b *BreakGlass) OpenBreakGlass(ctx context.Context, req *accessv1.OpenBreakGlassRequest) (*accessv1.Session, error) {
	return b.Store.OpenBreakGlass(ctx, req.GetSecret(), req.GetOpener(), req.GetReason())
}

// ReviewBreakGlassUse closes a use.
func (b *BreakGlass) ReviewBreakGlassUse(ctx context.Context, req *accessv1.ReviewBreakGlassUseRequest) (*accessv1.BreakGlassUse, error) {
	return idempotency.Execute(ctx, b.Store.DB, b.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.BreakGlassUse, error) {
		return b.Store.ReviewBreakGlass(ctx, tx, req.GetName(), req.GetEtag(), req.GetFindings())
	})
}

// GetBreakGlassUse reads a use.
func (b *BreakGlass) GetBreakGlassUse(ctx context.Context, req *accessv1.GetBreakGlassUseRequest) (*accessv1.BreakGlassUse, error) {
	return accounts.BreakGlassUses.Read(ctx, b.Store.DB, req.GetName())
}

// ListBreakGlassUses lists uses.
func (b *BreakGlass) ListBreakGlassUses(
	ctx context.Context, req *accessv1.ListBreakGlassUsesRequest,
) (*accessv1.ListBreakGlassUsesResponse, error) {
	items, next, err := accounts.BreakGlassUses.List(ctx, b.Store.DB, b.Lister, req, "")
	return &accessv1.ListBreakGlassUsesResponse{BreakGlassUses: items, NextPageToken: next}, err
}
