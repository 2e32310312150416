package access

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/feed"
	"coldsection.example/gateway/internal/webhooks"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Webhooks implements WebhooksService and WebhooksQueryService.
type Webhooks struct {
	accessv1.UnimplementedWebhooksServiceServer
	accessv1.UnimplementedWebhooksQueryServiceServer

	Store  *webhooks.Store
	Worker *webhooks.Worker
	Lister *listing.Lister
}

// Register adds the services to a server, with who may call what.
func (s *Webhooks) Register(r rpc.Registrar) {
	roles := endpointRoles
	write, query := &accessv1.WebhooksService_ServiceDesc, &accessv1.WebhooksQueryService_ServiceDesc
	r.Register(write, s, auth.Policy{}.For(write.ServiceName, roles, "CreateWebhookEndpoint", "UpdateWebhookEndpoint", "DeleteWebhookEndpoint",
		"EnableWebhookEndpoint", "DisableWebhookEndpoint", "RotateWebhookSecret", "TestWebhookEndpoint", "ReplayWebhookDelivery"))
	r.Register(query, s, auth.Policy{}.For(query.ServiceName, roles, "GetWebhookEndpoint", "ListWebhookEndpoints", "GetWebhookDelivery",
		"ListWebhookDeliveries"))
}

// endpoint runs a change of an endpoint once per request.
func (s *Webhooks) endpoint(ctx context.Context, req proto.Message, fn idempotency.Body[*accessv1.WebhookEndpoint]) (*accessv1.WebhookEndpoint, error) {
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, fn)
}

// CreateWebhookEndpoint adds an endpoint. The secret is added to the answer after it was kept, so that it is not kept with it.
func (s *Webhooks) CreateWebhookEndpoint(ctx context.Context, req *accessv1.CreateWebhookEndpointRequest) (*accessv1.WebhookEndpoint, error) {
	after, err := s.startOf(ctx, req.GetStartCursor())
	if err != nil {
		return nil, err
	}
	e, err := s.endpoint(ctx, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookEndpoint, error) {
		e := proto.CloneOf(req.GetWebhookEndpoint())
		resource.ClearOutputOnly(e)
		e.Name = "webhookEndpoints/" + orNew(req.GetWebhookEndpointId(), s.Store.IDs.New)
		return e, s.Store.Create(ctx, tx, e, after)
	})
	if err != nil || req.GetValidateOnly() {
		return e, err
	}
	return s.Store.Reveal(ctx, e)
}

// startOf is the place in the feed that a cursor means; the newest without one.
func (s *Webhooks) startOf(ctx context.Context, cursor string) (uint64, error) {
	oldest, newest, err := s.Store.Feed.Bounds(ctx)
	if err != nil || cursor == "" {
		return newest, err
	}
	after, err := feed.ParseCursor("start_cursor", cursor)
	if err == nil {
		err = eventbus.NotKept(after, oldest, newest)
	}
	return after, err
}

// UpdateWebhookEndpoint changes name, address or filter.
func (s *Webhooks) UpdateWebhookEndpoint(ctx context.Context, req *accessv1.UpdateWebhookEndpointRequest) (*accessv1.WebhookEndpoint, error) {
	if err := accounts.KeepAlarm(ctx); err != nil {
		return nil, err
	}
	return s.endpoint(ctx, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookEndpoint, error) {
		update := req.GetWebhookEndpoint()
		return s.Store.Change(ctx, tx, update.GetName(), update.GetEtag(), func(e *accessv1.WebhookEndpoint) error {
			return s.Store.Update(ctx, tx, e, update, req.GetUpdateMask())
		})
	})
}

// DeleteWebhookEndpoint removes an endpoint and what was sent to it.
func (s *Webhooks) DeleteWebhookEndpoint(ctx context.Context, req *accessv1.DeleteWebhookEndpointRequest) (*emptypb.Empty, error) {
	if err := accounts.KeepAlarm(ctx); err != nil {
		return nil, err
	}
	return &emptypb.Empty{}, s.Store.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		return s.Store.Delete(ctx, tx, req.GetName(), req.GetEtag())
	})
}

// EnableWebhookEndpoint lets an endpoint go on.
func (s *Webhooks) EnableWebhookEndpoint(ctx context.Context, req *accessv1.EnableWebhookEndpointRequest) (*accessv1.WebhookEndpoint, error) {
	var skipTo *uint64
	if req.GetSkipMissed() {
		if err := accounts.KeepAlarm(ctx); err != nil {
			return nil, err
		}
		_, newest, err := s.Store.Feed.Bounds(ctx)
		if err != nil {
			return nil, err
		}
		skipTo = &newest
	}
	return s.endpoint(ctx, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookEndpoint, error) {
		return s.Store.Change(ctx, tx, req.GetName(), req.GetEtag(), func(e *accessv1.WebhookEndpoint) error {
			return s.Store.Enable(ctx, tx, e, skipTo)
		})
	})
}

// DisableWebhookEndpoint stops sending.
func (s *Webhooks) DisableWebhookEndpoint(ctx context.Context, req *accessv1.DisableWebhookEndpointRequest) (*accessv1.WebhookEndpoint, error) {
	if err := accounts.KeepAlarm(ctx); err != nil {
		return nil, err
	}
	return s.endpoint(ctx, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookEndpoint, error) {
		return s.Store.Change(ctx, tx, req.GetName(), req.GetEtag(), func(e *accessv1.WebhookEndpoint) error {
			id, _ := auth.FromContext(ctx)
			e.State, e.DisableReason = accessv1.WebhookEndpoint_DISABLED, "Disabled by "+id.Account+"."
			return nil
		})
	})
}

// RotateWebhookSecret makes a new secret.
func (s *Webhooks) RotateWebhookSecret(ctx context.Context, req *accessv1.RotateWebhookSecretRequest) (*accessv1.WebhookEndpoint, error) {
	if err := accounts.KeepAlarm(ctx); err != nil { // a receiver that does not know the new secret refuses what comes
		return nil, err
	}
	e, err := s.endpoint(ctx, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookEndpoint, error) {
		return s.Store.Change(ctx, tx, req.GetName(), req.GetEtag(), func(e *accessv1.WebhookEndpoint) error {
			var overlap *time.Duration
			if req.GetOverlap() != nil {
				given := req.GetOverlap().AsDuration()
				overlap = &given
			}
			return s.Store.Rotate(ctx, tx, e.GetName(), overlap)
		})
	})
	if err != nil {
		return nil, err
	}
	return s.Store.Reveal(ctx, e)
}

// TestWebhookEndpoint sends a message at once.
func (s *Webhooks) TestWebhookEndpoint(ctx context.Context, req *accessv1.TestWebhookEndpointRequest) (*accessv1.WebhookDelivery, error) {
	return s.Worker.Test(ctx, req.GetName())
}

// ReplayWebhookDelivery sends a message anew.
func (s *Webhooks) ReplayWebhookDelivery(ctx context.Context, req *accessv1.ReplayWebhookDeliveryRequest) (*accessv1.WebhookDelivery, error) {
	return idempotency.Execute(ctx, s.Store.DB, s.Store.Clock, req, func(ctx context.Context, tx *storage.Tx) (*accessv1.WebhookDelivery, error) {
		return s.Store.Replay(ctx, tx, accounts.ReaderOf(ctx), req.GetName())
	})
}

// GetWebhookEndpoint reads an endpoint.
func (s *Webhooks) GetWebhookEndpoint(ctx context.Context, req *accessv1.GetWebhookEndpointRequest) (e *accessv1.WebhookEndpoint, err error) {
	err = s.Store.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if e, err = webhooks.Endpoints.Get(ctx, tx, req.GetName()); err != nil {
			return err
		}
		return s.Store.Show(ctx, tx, e)
	})
	return e, err
}

// ListWebhookEndpoints lists endpoints.
func (s *Webhooks) ListWebhookEndpoints(ctx context.Context, req *accessv1.ListWebhookEndpointsRequest) (*accessv1.ListWebhookEndpointsResponse, error) {
	items, next, err := webhooks.Endpoints.List(ctx, s.Store.DB, s.Lister, req, "")
	if err == nil {
		err = s.Store.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
			for _, e := range items {
				if err := s.Store.Show(ctx, tx, e); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return &accessv1.ListWebhookEndpointsResponse{WebhookEndpoints: items, NextPageToken: next}, err
}

// GetWebhookDelivery reads a delivery with its body.
func (s *Webhooks) GetWebhookDelivery(ctx context.Context, req *accessv1.GetWebhookDeliveryRequest) (*accessv1.WebhookDelivery, error) {
	return s.Store.Read(ctx, accounts.ReaderOf(ctx), req.GetName())
}

// ListWebhookDeliveries lists deliveries.
func (s *Webhooks) ListWebhookDeliveries(ctx context.Context, req *accessv1.ListWebhookDeliveriesRequest) (*accessv1.ListWebhookDeliveriesResponse, error) {
	scope, args := "", []any(nil)
	if !strings.HasSuffix(req.GetParent(), "/-") {
		of := req.GetParent() + "/deliveries"
		scope, args = "name >= $1 AND name < $2 AND ", []any{of + "/", of + "0"}
	}
	theirs, args := webhooks.Readable(accounts.ReaderOf(ctx), args)
	items, next, err := webhooks.Deliveries.ListWhere(ctx, s.Store.DB, s.Lister, req, scope+theirs, args...)
	return &accessv1.ListWebhookDeliveriesResponse{WebhookDeliveries: items, NextPageToken: next}, err
}
