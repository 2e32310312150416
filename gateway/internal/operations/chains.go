package operations

import (
	"context"
	"maps"
	"slices"
	"strings"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/fault"
)

// chained asks the services for their chains of records on the caller's behalf.
type chained struct {
	operationsv1.UnimplementedRecordChainsServiceServer

	parts map[string]operationsv1.RecordChainsServiceClient
}

// of is the service that keeps a chain. Reason: NOT_FOUND.
func (c *chained) of(name string) (operationsv1.RecordChainsServiceClient, error) {
	part, _, _ := strings.Cut(strings.TrimPrefix(name, "recordChains/"), "-")
	if client := c.parts[part]; client != nil {
		return client, nil
	}
	return nil, fault.Missing(name)
}

// GetRecordChain asks the chain's service.
func (c *chained) GetRecordChain(ctx context.Context, req *operationsv1.GetRecordChainRequest) (*operationsv1.RecordChain, error) {
	client, err := c.of(req.GetName())
	if err != nil {
		return nil, err
	}
	return client.GetRecordChain(ctx, req)
}

// ListRecordChains gives a page of one service.
func (c *chained) ListRecordChains(ctx context.Context, req *operationsv1.ListRecordChainsRequest) (out *operationsv1.ListRecordChainsResponse, err error) {
	out = &operationsv1.ListRecordChainsResponse{}
	out.NextPageToken, err = walk(slices.Sorted(maps.Keys(c.parts)), req.GetPageToken(), func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := c.parts[part].ListRecordChains(ctx, req)
		out.RecordChains = page.GetRecordChains()
		return page.GetNextPageToken(), len(out.GetRecordChains()), err
	})
	return out, err
}

// ConfirmClock asks the chain's service.
func (c *chained) ConfirmClock(ctx context.Context, req *operationsv1.ConfirmClockRequest) (*operationsv1.RecordChain, error) {
	client, err := c.of(req.GetName())
	if err != nil {
		return nil, err
	}
	return client.ConfirmClock(ctx, req)
}
