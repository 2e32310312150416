// Package chains lets quality see the chains of signed records that a service keeps, and confirm the time when the clock is behind one.
package chains

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Deps is what the RPCs of a service's chains need.
type Deps struct {
	DB      *storage.DB
	Clock   clock.Clock
	Lister  *listing.Lister
	Service string // such as "workorders"
}

type server struct {
	operationsv1.UnimplementedRecordChainsServiceServer

	Deps
}

// Policy says who may call the RPCs of chains, also where they are passed on.
func Policy() auth.Policy {
	service := operationsv1.RecordChainsService_ServiceDesc.ServiceName
	p := auth.Policy{}.For(service, []string{"quality", "admin"}, "GetRecordChain", "ListRecordChains")
	return p.For(service, []string{"quality"}, "ConfirmClock")
}

// Register adds the RPCs of a service's chains.
func Register(r rpc.Registrar, d Deps) {
	r.Register(&operationsv1.RecordChainsService_ServiceDesc, &server{Deps: d}, Policy())
}

// all are the service's chains, in the order of their names.
func (s *server) all(ctx context.Context, tx *storage.Tx) ([]*operationsv1.RecordChain, error) {
	streams, err := recordchain.Streams(ctx, tx)
	found, now := make([]*operationsv1.RecordChain, len(streams)), s.Clock.Now()
	for i, stream := range streams {
		found[i] = &operationsv1.RecordChain{
			Name: "recordChains/" + s.Service + "-" + stream.Name, Service: s.Service, Stream: stream.Name, EntryCount: stream.Entries,
			LastEntryTime: timestamppb.New(stream.Last), ClockBehind: recordchain.Behind(now, stream.Last),
		}
	}
	return found, err
}

// read reads one. Reason: NOT_FOUND.
func (s *server) read(ctx context.Context, tx *storage.Tx, name string) (*operationsv1.RecordChain, error) {
	found, err := s.all(ctx, tx)
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(found, func(c *operationsv1.RecordChain) bool { return c.GetName() == name })
	if at < 0 {
		return nil, fault.Missing(name)
	}
	return found[at], nil
}

// GetRecordChain reads one.
func (s *server) GetRecordChain(ctx context.Context, req *operationsv1.GetRecordChainRequest) (out *operationsv1.RecordChain, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		out, err = s.read(ctx, tx, req.GetName())
		return err
	})
	return out, err
}

// ListRecordChains lists those that have entries.
func (s *server) ListRecordChains(ctx context.Context, req *operationsv1.ListRecordChainsRequest) (*operationsv1.ListRecordChainsResponse, error) {
	var found []*operationsv1.RecordChain
	err := s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		found, err = s.all(ctx, tx)
		return err
	})
	if err != nil {
		return nil, err
	}
	page, next, err := listing.Slice(ctx, s.Lister, req, found, (*operationsv1.RecordChain).GetName)
	return &operationsv1.ListRecordChainsResponse{RecordChains: page, NextPageToken: next}, err
}

// ConfirmClock lets a chain go on from the present time.
func (s *server) ConfirmClock(ctx context.Context, req *operationsv1.ConfirmClockRequest) (out *operationsv1.RecordChain, err error) {
	id, _ := auth.FromContext(ctx)
	if id.Person == "" {
		return nil, fault.Denied("PERSON_NEEDED", "%s is not a person, and this is done by a person. Sign in with a personal account.", id.Account)
	}
	stream, ours := strings.CutPrefix(req.GetName(), "recordChains/"+s.Service+"-")
	err = s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if _, err := s.read(ctx, tx, req.GetName()); err != nil || !ours {
			return err
		}
		if err := recordchain.Confirm(ctx, tx, stream, req.GetName(), s.Clock.Now(), req.GetCurrentTime().AsTime(), id.Account, id.Person, req.GetReason()); err != nil {
			return err
		}
		out, err = s.read(ctx, tx, req.GetName())
		return err
	})
	return out, err
}
