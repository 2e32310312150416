package operations

import (
	"context"
	"maps"
	"slices"
	"strings"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/fault"
)

// parked asks the services for their parked facts on the caller's behalf.
type parked struct {
	operationsv1.UnimplementedParkedFactsServiceServer

	parts map[string]operationsv1.ParkedFactsServiceClient
}

// of is the service that a fact is parked in. Reason: NOT_FOUND.
func (p *parked) of(name string) (operationsv1.ParkedFactsServiceClient, error) {
	part, _, _ := strings.Cut(strings.TrimPrefix(name, "parkedFacts/"), "-")
	if client := p.parts[part]; client != nil {
		return client, nil
	}
	return nil, fault.Missing(name)
}

// GetParkedFact asks the fact's service.
func (p *parked) GetParkedFact(ctx context.Context, req *operationsv1.GetParkedFactRequest) (*operationsv1.ParkedFact, error) {
	client, err := p.of(req.GetName())
	if err != nil {
		return nil, err
	}
	return client.GetParkedFact(ctx, req)
}

// ListParkedFacts gives a page of one service.
func (p *parked) ListParkedFacts(ctx context.Context, req *operationsv1.ListParkedFactsRequest) (out *operationsv1.ListParkedFactsResponse, err error) {
	out = &operationsv1.ListParkedFactsResponse{}
	out.NextPageToken, err = walk(slices.Sorted(maps.Keys(p.parts)), req.GetPageToken(), func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := p.parts[part].ListParkedFacts(ctx, req)
		out.ParkedFacts = page.GetParkedFacts()
		return page.GetNextPageToken(), len(out.GetParkedFacts()), err
	})
	return out, err
}

// RetryParkedFact asks the fact's service.
func (p *parked) RetryParkedFact(ctx context.Context, req *operationsv1.RetryParkedFactRequest) (*operationsv1.ParkedFact, error) {
	client, err := p.of(req.GetName())
	if err != nil {
		return nil, err
	}
	return client.RetryParkedFact(ctx, req)
}

// DiscardParkedFact asks the fact's service.
func (p *parked) DiscardParkedFact(ctx context.Context, req *operationsv1.DiscardParkedFactRequest) (*operationsv1.ParkedFact, error) {
	client, err := p.of(req.GetName())
	if err != nil {
		return nil, err
	}
	return client.DiscardParkedFact(ctx, req)
}
