// Package parking lets quality see the facts that could not take effect in a service, and an administrator try them again or give them up.
//
// A fact that is given up counts as processed, so it never takes effect there, whoever sends it again; its row stays.
package parking

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Deps is what the RPCs of a service's parked facts need.
type Deps struct {
	DB       *storage.DB
	Clock    clock.Clock
	Lister   *listing.Lister
	Consumer eventbus.Consumer // the service's one subscription; its durable name is the service's
}

type server struct {
	operationsv1.UnimplementedParkedFactsServiceServer

	Deps
}

// Policy says who may call the RPCs of parked facts, also where they are passed on.
func Policy() auth.Policy {
	service := operationsv1.ParkedFactsService_ServiceDesc.ServiceName
	p := auth.Policy{}.For(service, []string{"quality", "admin"}, "GetParkedFact", "ListParkedFacts")
	return p.For(service, []string{"admin"}, "RetryParkedFact", "DiscardParkedFact")
}

// Register adds the RPCs of a service's parked facts.
func Register(r rpc.Registrar, d Deps) {
	r.Register(&operationsv1.ParkedFactsService_ServiceDesc, &server{Deps: d}, Policy())
}

// event is the fact's id in a name. Reason: NOT_FOUND.
func (s *server) event(name string) (string, error) {
	event, ok := strings.CutPrefix(name, "parkedFacts/"+s.Consumer.Durable+"-")
	if !ok {
		return "", fault.Missing(name)
	}
	return event, nil
}

// read reads a parked or discarded fact. Reason: NOT_FOUND.
func (s *server) read(ctx context.Context, tx *storage.Tx, name, lock string) (p eventbus.Parked, err error) {
	event, err := s.event(name)
	if err != nil {
		return p, err
	}
	p, err = eventbus.ScanParked(tx.QueryRow(ctx, "SELECT "+eventbus.ParkedColumns+" FROM parked_events WHERE consumer = $1 AND event_id = $2"+lock,
		s.Consumer.Durable, event))
	if errors.Is(err, storage.ErrNoRows) {
		return p, fault.Missing(name)
	}
	return p, err
}

// GetParkedFact reads one.
func (s *server) GetParkedFact(ctx context.Context, req *operationsv1.GetParkedFactRequest) (out *operationsv1.ParkedFact, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err := s.read(ctx, tx, req.GetName(), "")
		if err != nil {
			return err
		}
		out = message(p)
		return nil
	})
	return out, err
}

var fields = listing.Fields{
	"type": {Column: "type", Kind: listing.Text}, "source": {Column: "source", Kind: listing.Text}, "subject": {Column: "subject", Kind: listing.Text},
	"reason": {Column: "reason", Kind: listing.Text}, "park_time": {Column: "park_time", Kind: listing.Time},
	"discard_time": {Column: "discard_time", Kind: listing.Time}, "discarder": {Column: "discarder", Kind: listing.Text},
}

// ListParkedFacts lists what waits and what was given up.
func (s *server) ListParkedFacts(ctx context.Context, req *operationsv1.ListParkedFactsRequest) (*operationsv1.ListParkedFactsResponse, error) {
	q, err := s.Lister.Parse(ctx, req, listing.Collection{
		Key: "event_id", Order: "park_time", Fields: fields, Scope: "consumer = $1", ScopeArgs: []any{s.Consumer.Durable},
	})
	if err != nil {
		return nil, err
	}
	out := &operationsv1.ListParkedFactsResponse{}
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		rows, next, err := listing.Page(ctx, tx, q, eventbus.ParkedColumns, "parked_events", eventbus.ScanParked)
		out.NextPageToken, out.ParkedFacts = next, make([]*operationsv1.ParkedFact, len(rows))
		for i, p := range rows {
			out.ParkedFacts[i] = message(p)
		}
		return err
	})
	return out, err
}

// RetryParkedFact tries one now.
func (s *server) RetryParkedFact(ctx context.Context, req *operationsv1.RetryParkedFactRequest) (*operationsv1.ParkedFact, error) {
	event, err := s.event(req.GetName())
	if err != nil {
		return nil, err
	}
	var p eventbus.Parked
	var applied bool
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if p, err = s.read(ctx, tx, req.GetName(), ""); fault.HasReason(err, "NOT_FOUND") {
			if applied, err = eventbus.Processed(ctx, tx, s.Consumer.Durable, event); err == nil && !applied {
				return fault.Missing(req.GetName())
			}
			return err
		}
		return errors.Join(err, free(ctx, tx, p))
	})
	switch {
	case err != nil:
		return nil, err
	case applied:
		return &operationsv1.ParkedFact{Name: req.GetName(), Consumer: s.Consumer.Durable, Event: event, State: operationsv1.ParkedFact_APPLIED}, nil
	case !p.DiscardTime.IsZero():
		return nil, fault.Precondition("PARKED_FACT_DISCARDED", "%s was given up by %s: %s. It never takes effect; enter what is missing by hand.",
			req.GetName(), p.Discarder, p.DiscardReason)
	}
	if why := eventbus.Apply(ctx, s.DB, s.Clock, s.Consumer, p); why != nil {
		return nil, s.still(ctx, p, why)
	}
	out := message(p)
	out.State = operationsv1.ParkedFact_APPLIED
	return out, nil
}

// still keeps the newest reason why a fact can't take effect, and says so. Reason: PARKED_FACT_FAILS.
func (s *server) still(ctx context.Context, p eventbus.Parked, why error) error {
	reason, err := eventbus.Explain(ctx, s.DB, p, why)
	if err != nil {
		return err
	}
	return fault.Precondition("PARKED_FACT_FAILS", "%s still can't take effect: %s. Put that right and try again, or discard it.", nameOf(p.Consumer, p.ID), reason).Because(why)
}

// free refuses a fact before which another one about the same resource is parked. Reason: PARKED_BEHIND.
func free(ctx context.Context, tx *storage.Tx, p eventbus.Parked) error {
	var first string
	err := tx.QueryRow(ctx, `SELECT event_id FROM parked_events WHERE consumer = $1 AND source = $2 AND subject = $3 AND version < $4 AND discard_time = 0
		ORDER BY version LIMIT 1`, p.Consumer, p.Source, p.Subject, p.Version).Scan(&first)
	if errors.Is(err, storage.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	before := nameOf(p.Consumer, first)
	return fault.Precondition("PARKED_BEHIND", "%s waits behind %s, which is about %s too and happened before. See to that one first.",
		nameOf(p.Consumer, p.ID), before, p.Subject).With("parked_fact", before)
}

// DiscardParkedFact gives one up.
func (s *server) DiscardParkedFact(ctx context.Context, req *operationsv1.DiscardParkedFactRequest) (out *operationsv1.ParkedFact, err error) {
	id, _ := auth.FromContext(ctx)
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err := s.read(ctx, tx, req.GetName(), tx.ForUpdate())
		if err != nil {
			return err
		}
		if p.DiscardTime.IsZero() {
			if err := free(ctx, tx, p); err != nil {
				return err
			}
			p.DiscardTime, p.Discarder, p.DiscardReason = s.Clock.Now(), id.Account, req.GetReason()
			if done, err := eventbus.Discard(ctx, tx, p); err != nil || !done {
				return errors.Join(err, fault.Missing(req.GetName()))
			}
		}
		out = message(p)
		return nil
	})
	return out, err
}

func nameOf(consumer, event string) string { return fmt.Sprintf("parkedFacts/%s-%s", consumer, event) }

// message is a parked fact as callers see it.
func message(p eventbus.Parked) *operationsv1.ParkedFact {
	data := &structpb.Struct{}
	if err := protojson.Unmarshal(p.Data, data); err != nil {
		data = nil // what a program that is no part of the suite published; its reason says so
	}
	out := &operationsv1.ParkedFact{
		Name: nameOf(p.Consumer, p.ID), Consumer: p.Consumer, State: operationsv1.ParkedFact_PARKED, Event: p.ID, Type: p.Type, Source: p.Source,
		Subject: p.Subject, SubjectVersion: p.Version, EventTime: stamp(p.Time), Actor: p.Actor, Data: data, Reason: p.Reason, ParkTime: stamp(p.ParkTime),
		DiscardTime: stamp(p.DiscardTime), Discarder: p.Discarder, DiscardReason: p.DiscardReason,
	}
	if out.GetDiscardTime() != nil {
		out.State = operationsv1.ParkedFact_DISCARDED
	}
	return out
}

// stamp is an instant, nil for none.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
