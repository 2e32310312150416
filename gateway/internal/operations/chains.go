package operations

import (
	"context"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
)

// chained asks the services for their chains of records on the caller's behalf.
type chained struct {
	operationsv1.UnimplementedRecordChainsServiceServer

	parts parts[operationsv1.RecordChainsServiceClient]
}

// GetRecordChain asks the chain's service.
func (c *chained) GetRecordChain(ctx context.Context, req *operationsv1.GetRecordChainRequest) (*operationsv1.RecordChain, error) {
	return ask(ctx, c.parts, req, operationsv1.RecordChainsServiceClient.GetRecordChain)
}

// ListRecordChains gives a page of one service.
func (c *chained) ListRecordChains(ctx context.Context, req *operationsv1.ListRecordChainsRequest) (out *operationsv1.ListRecordChainsResponse, err error) {
	out = &operationsv1.ListRecordChainsResponse{}
	out.NextPageToken, err = c.parts.walk(ctx, req, func(part, token string) (next string, rows int, err error) {
		req.PageToken = token
		page, err := c.parts.by[part].ListRecordChains(ctx, req)
		out.RecordChains = page.GetRecordChains()
		return page.GetNextPageToken(), len(out.GetRecordChains()), err
	})
	return out, err
}

// ConfirmClock asks the chain's service.
func (c *chained) ConfirmClock(ctx context.Context, req *operationsv1.ConfirmClockRequest) (*operationsv1.RecordChain, error) {
	return ask(ctx, c.parts, req, operationsv1.RecordChainsServiceClient.ConfirmClock)
}
