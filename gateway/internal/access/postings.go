package access

import (
	"context"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/feed"
	"coldsection.example/gateway/internal/postings"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Postings implements PostingsService and PostingsQueryService. Every method first takes the facts that the feed has by then.
type Postings struct {
	accessv1.UnimplementedPostingsServiceServer
	accessv1.UnimplementedPostingsQueryServiceServer

	Store  *postings.Store
	Lister *listing.Lister
}

// Register adds the services to a server, with who may call what.
func (s *Postings) Register(r rpc.Registrar) {
	write, query := &accessv1.PostingsService_ServiceDesc, &accessv1.PostingsQueryService_ServiceDesc
	r.Register(write, s, auth.Policy{}.For(write.ServiceName, []string{"integrator"}, "AcknowledgePosting", "BatchAcknowledgePostings"))
	r.Register(query, s, auth.Policy{}.For(query.ServiceName, []string{"integrator", "stores", "planner", "quality", "admin"},
		"GetPosting", "ListPostings", "ReconcilePostings", "TotalPostings"))
}

// AcknowledgePosting keeps what the accounting system says.
func (s *Postings) AcknowledgePosting(ctx context.Context, req *accessv1.AcknowledgePostingRequest) (*accessv1.Posting, error) {
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.Posting, error) {
		return s.Store.Acknowledge(ctx, tx, accounts.ReaderOf(ctx), req)
	})
}

// BatchAcknowledgePostings does all or none.
func (s *Postings) BatchAcknowledgePostings(
	ctx context.Context, req *accessv1.BatchAcknowledgePostingsRequest,
) (*accessv1.BatchAcknowledgePostingsResponse, error) {
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req,
		func(ctx context.Context, tx *storage.Tx) (*accessv1.BatchAcknowledgePostingsResponse, error) {
			answer := &accessv1.BatchAcknowledgePostingsResponse{}
			for _, one := range req.GetRequests() {
				p, err := s.Store.Acknowledge(ctx, tx, accounts.ReaderOf(ctx), one)
				if err != nil {
					return nil, err
				}
				answer.Postings = append(answer.Postings, p)
			}
			return answer, nil
		})
}

// GetPosting reads a posting.
func (s *Postings) GetPosting(ctx context.Context, req *accessv1.GetPostingRequest) (*accessv1.Posting, error) {
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	return postings.Read(ctx, s.Store.DB, accounts.ReaderOf(ctx), req.GetName())
}

// ListPostings lists postings.
func (s *Postings) ListPostings(ctx context.Context, req *accessv1.ListPostingsRequest) (*accessv1.ListPostingsResponse, error) {
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	scope, args := accounts.ReaderOf(ctx).Condition("event_type", nil)
	items, next, err := postings.Table.ListWhere(ctx, s.Store.DB, s.Lister, req, scope, args...)
	return &accessv1.ListPostingsResponse{Postings: items, NextPageToken: next}, err
}

// ReconcilePostings counts postings by day, type and state.
func (s *Postings) ReconcilePostings(ctx context.Context, req *accessv1.ReconcilePostingsRequest) (*accessv1.ReconcilePostingsResponse, error) {
	days, err := postings.ParseDays(req.GetStartDate(), req.GetEndDate())
	if err != nil {
		return nil, err
	}
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	answer := &accessv1.ReconcilePostingsResponse{}
	return answer, s.Store.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		place, err := postings.Place(ctx, tx)
		if err == nil {
			answer.Cursor = feed.Cursor(place)
			answer.Lines, err = postings.Reconcile(ctx, tx, accounts.ReaderOf(ctx), days)
		}
		return err
	})
}

// TotalPostings sums quantities and worked time.
func (s *Postings) TotalPostings(ctx context.Context, req *accessv1.TotalPostingsRequest) (*accessv1.TotalPostingsResponse, error) {
	days, err := postings.ParseDays(req.GetStartDate(), req.GetEndDate())
	if err != nil {
		return nil, err
	}
	if _, err := s.Store.CatchUp(ctx); err != nil {
		return nil, err
	}
	answer := &accessv1.TotalPostingsResponse{}
	return answer, s.Store.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		place, err := postings.Place(ctx, tx)
		if err == nil {
			answer.Cursor = feed.Cursor(place)
			answer.Lines, err = postings.Total(ctx, tx, accounts.ReaderOf(ctx), days)
		}
		return err
	})
}
