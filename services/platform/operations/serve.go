package operations

import (
	"context"
	"slices"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc/status"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// How long WaitOperation waits, and how often it looks.
const (
	defaultWait = 20 * time.Second
	maxWait     = 30 * time.Second
	glance      = 100 * time.Millisecond
)

// overseers are the roles that see everybody's operations.
var overseers = []string{"quality", "admin"}

type server struct {
	operationsv1.UnimplementedOperationsServiceServer

	o *Operations
}

// enders may end operations of their own: whoever may start any.
var enders = []string{"technician", "inspector", "releaser", "stores", "planner", "analyst", "quality", "integrator", "admin"}

// Policy says who may call the RPCs of operations, also where they are passed on.
func Policy() auth.Policy {
	service := operationsv1.OperationsService_ServiceDesc.ServiceName
	p := auth.Policy{}.For(service, []string{auth.SignedIn}, "GetOperation", "ListOperations", "WaitOperation")
	return p.For(service, enders, "CancelOperation").Scope(service, "GetOperation", "ListOperations", "WaitOperation", "CancelOperation")
}

// Register adds the RPCs of operations.
func (o *Operations) Register(r rpc.Registrar) {
	r.Register(&operationsv1.OperationsService_ServiceDesc, &server{o: o}, Policy())
}

// oversees reports whether the caller sees everybody's operations. Who is limited to owners sees its own, which are worked under that limit.
func oversees(id auth.Identity) bool {
	return len(id.Owners) == 0 && slices.ContainsFunc(overseers, id.Has)
}

// visible reads an operation that the caller may see; what is another's is missing in the very same words.
func visible(ctx context.Context, tx *storage.Tx, name, lock string) (*row, error) {
	r, err := read(ctx, tx, name, lock)
	if err != nil {
		return nil, err
	}
	if id, _ := auth.FromContext(ctx); r == nil || r.metadata.GetCreator() != id.Account && !oversees(id) {
		return nil, fault.Missing(name)
	}
	return r, nil
}

// GetOperation reads an operation.
func (s *server) GetOperation(ctx context.Context, req *operationsv1.GetOperationRequest) (*longrunningpb.Operation, error) {
	return s.get(ctx, req.GetName())
}

func (s *server) get(ctx context.Context, name string) (out *longrunningpb.Operation, err error) {
	err = s.o.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		r, err := visible(ctx, tx, name, "")
		if err != nil {
			return err
		}
		out, err = r.operation()
		return err
	})
	return out, err
}

// WaitOperation reads an operation once it has ended or the time is over.
func (s *server) WaitOperation(ctx context.Context, req *operationsv1.WaitOperationRequest) (*longrunningpb.Operation, error) {
	patience := defaultWait
	if req.GetTimeout() != nil {
		patience = min(req.GetTimeout().AsDuration(), maxWait)
	}
	over := clock.System().After(patience)
	for {
		op, err := s.get(ctx, req.GetName())
		if err != nil || op.GetDone() {
			return op, err
		}
		select {
		case <-over:
			return op, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-clock.System().After(glance):
		}
	}
}

// ListOperations lists what the caller may see.
func (s *server) ListOperations(ctx context.Context, req *operationsv1.ListOperationsRequest) (*operationsv1.ListOperationsResponse, error) {
	c := listing.Collection{Key: "name", Order: "create_time desc", Fields: listing.Fields{
		"kind": {Column: "kind", Kind: listing.Text}, "creator": {Column: "creator", Kind: listing.Text},
		"create_time": {Column: "create_time", Kind: listing.Time}, "state": {Column: "state", Kind: listing.Enum, Values: states()},
	}}
	if id, _ := auth.FromContext(ctx); !oversees(id) {
		c.Scope, c.ScopeArgs = "creator = $1", []any{id.Account}
	}
	q, err := s.o.Lister.Parse(ctx, req, c)
	if err != nil {
		return nil, err
	}
	out := &operationsv1.ListOperationsResponse{}
	err = s.o.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		rows, next, err := listing.Page(ctx, tx, q, columns, "operations", scanRow)
		out.NextPageToken, out.Operations = next, make([]*longrunningpb.Operation, len(rows))
		for i, r := range rows {
			if out.Operations[i], err = r.operation(); err != nil {
				return err
			}
		}
		return err
	})
	return out, err
}

func states() []string {
	values := operationsv1.OperationMetadata_STATE_UNSPECIFIED.Descriptor().Values()
	names := make([]string, 0, values.Len())
	for i := range values.Len() {
		names = append(names, string(values.Get(i).Name()))
	}
	return names
}

// CancelOperation ends an operation before its end: one that has not begun at once, another after the part under way.
func (s *server) CancelOperation(ctx context.Context, req *operationsv1.CancelOperationRequest) (out *longrunningpb.Operation, err error) {
	err = s.o.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		r, err := visible(ctx, tx, req.GetName(), tx.ForUpdate())
		if err != nil {
			return err
		}
		if !r.ended() && r.failure == nil {
			s.o.cancel(ctx, r, req.GetReason())
			if err := r.save(ctx, tx); err != nil {
				return err
			}
			tx.AfterCommit(s.o.poke)
		}
		out, err = r.operation()
		return err
	})
	return out, err
}

// cancel marks an operation as ended by the caller; the worker completes what was kept.
func (o *Operations) cancel(ctx context.Context, r *row, reason string) {
	id, _ := auth.FromContext(ctx)
	m := r.metadata
	if reason != "" {
		reason = " Reason given: " + reason
	}
	why := fault.New(fault.Canceled, "OPERATION_CANCELLED", "%s ended it after %d of %d rows. What came of these stays kept; start it again for the rest.%s",
		id.Account, m.GetDoneCount(), m.GetRowCount(), reason)
	r.failure, m.Canceller = status.Convert(rpc.ToStatus(why)).Proto(), id.Account
	queued := m.GetState() == operationsv1.OperationMetadata_QUEUED
	if m.State = operationsv1.OperationMetadata_CANCELLING; queued {
		o.end(r)
	}
}
