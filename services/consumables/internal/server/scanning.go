package server

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/label"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/listing"
)

// scanning serves scans and labels; reading them is for every signed-in caller.
type scanning struct {
	consumablesv1.UnimplementedScanningQueryServiceServer

	app *app.App
}

func scanningPolicy() auth.Policy {
	var methods []string
	for _, m := range consumablesv1.ScanningQueryService_ServiceDesc.Methods {
		methods = append(methods, m.MethodName)
	}
	return auth.Policy{}.For("coldsection.consumables.v1.ScanningQueryService", []string{auth.SignedIn}, methods...)
}

func (s *scanning) ParseScan(ctx context.Context, req *consumablesv1.ParseScanRequest) (*consumablesv1.ParseScanResponse, error) {
	return s.app.ParseScan(ctx, req)
}

func (s *scanning) RenderLabel(ctx context.Context, req *consumablesv1.RenderLabelRequest) (*consumablesv1.RenderLabelResponse, error) {
	return s.app.RenderLabel(ctx, req)
}

// ListLabelMedia lists the media, the smallest first.
func (s *scanning) ListLabelMedia(ctx context.Context, req *consumablesv1.ListLabelMediaRequest) (*consumablesv1.ListLabelMediaResponse, error) {
	var media []*consumablesv1.LabelMedium
	for _, m := range label.Media {
		media = append(media, app.LabelMedium(m))
	}
	page, next, err := listing.Slice(ctx, s.app.Lister, req, media, (*consumablesv1.LabelMedium).GetName)
	return &consumablesv1.ListLabelMediaResponse{LabelMedia: page, NextPageToken: next}, err
}

func (s *scanning) RenderIssueSlip(ctx context.Context, req *consumablesv1.RenderIssueSlipRequest) (*consumablesv1.RenderIssueSlipResponse, error) {
	return s.app.RenderIssueSlip(ctx, req)
}
