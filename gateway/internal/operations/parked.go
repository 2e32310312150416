package operations

import (
	"context"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
)

// parked asks the services for their parked facts on the caller's behalf.
type parked struct {
	operationsv1.UnimplementedParkedFactsServiceServer

	parts parts[operationsv1.ParkedFactsServiceClient]
}

// GetParkedFact asks the fact's service.
func (p *parked) GetParkedFact(ctx context.Context, req *operationsv1.GetParkedFactRequest) (*operationsv1.ParkedFact, error) {
	return ask(ctx, p.parts, req, operationsv1.ParkedFactsServiceClient.GetParkedFact)
}

// ListParkedFacts gives a page of one service.
func (p *parked) ListParkedFacts(ctx context.Context, req *operationsv1.ListParkedFactsRequest) (out *operationsv1.ListParkedFactsResponse, err error) {
	out = &operationsv1.ListParkedFactsResponse{}
	out.NextPageToken, err = p.parts.walk(ctx, req, func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := p.parts.by[part].ListParkedFacts(ctx, req)
		out.ParkedFacts = page.GetParkedFacts()
		return page.GetNextPageToken(), len(out.GetParkedFacts()), err
	})
	return out, err
}

// RetryParkedFact asks the fact's service.
func (p *parked) RetryParkedFact(ctx context.Context, req *operationsv1.RetryParkedFactRequest) (*operationsv1.ParkedFact, error) {
	return ask(ctx, p.parts, req, operationsv1.ParkedFactsServiceClient.RetryParkedFact)
}

// DiscardParkedFact asks the fact's service.
func (p *parked) DiscardParkedFact(ctx context.Context, req *operationsv1.DiscardParkedFactRequest) (*operationsv1.ParkedFact, error) {
	return ask(ctx, p.parts, req, operationsv1.ParkedFactsServiceClient.DiscardParkedFact)
}
