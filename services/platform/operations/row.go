package operations

import (
	"context"
	"errors"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/storage"
)

// row is an operation as it is kept.
type row struct {
	name     string
	caller   []byte // the caller's identity, JSON
	request  *anypb.Any
	metadata *operationsv1.OperationMetadata
	result   []byte         // the response so far, an Any; empty before the first part
	failure  *status.Status // nil without one
}

const columns = "name, caller, request, metadata, result, error"

func scanRow(s storage.Scanner) (*row, error) {
	r := &row{request: &anypb.Any{}, metadata: &operationsv1.OperationMetadata{}}
	var request, metadata, failure []byte
	if err := s.Scan(&r.name, &r.caller, &request, &metadata, &r.result, &failure); err != nil {
		return nil, err
	}
	r.result = append([]byte{}, r.result...) // never NULL, which an empty blob is read as
	if len(failure) > 0 {
		r.failure = &status.Status{}
		if err := proto.Unmarshal(failure, r.failure); err != nil {
			return nil, err
		}
	}
	return r, errors.Join(proto.Unmarshal(request, r.request), proto.Unmarshal(metadata, r.metadata))
}

// read reads an operation, nil when there is none; lock is a clause such as Tx.ForUpdate.
func read(ctx context.Context, tx *storage.Tx, name, lock string) (*row, error) {
	r, err := scanRow(tx.QueryRow(ctx, "SELECT "+columns+" FROM operations WHERE name = $1"+lock, name))
	if errors.Is(err, storage.ErrNoRows) {
		return nil, nil //nolint:nilnil // what is not there is no failure
	}
	return r, err
}

func (r *row) insert(ctx context.Context, tx *storage.Tx) error {
	request, err := proto.Marshal(r.request)
	if err != nil {
		return err
	}
	metadata, err := proto.Marshal(r.metadata)
	if err != nil {
		return err
	}
	m := r.metadata
	_, err = tx.Exec(ctx, `INSERT INTO operations (kind, state, creator, create_time, end_time, input, `+columns+`)
		VALUES ($1, $2, $3, $4, 0, $5, $6, $7, $8, $9, $10, $10)`,
		m.GetKind(), m.GetState().String(), m.GetCreator(), storage.Micros(m.GetCreateTime().AsTime()), m.GetInputSha256(),
		r.name, r.caller, request, metadata, []byte{})
	return err
}

// save writes what may change.
func (r *row) save(ctx context.Context, tx *storage.Tx) error {
	metadata, err := proto.Marshal(r.metadata)
	if err != nil {
		return err
	}
	failure := []byte{}
	if r.failure != nil {
		if failure, err = proto.Marshal(r.failure); err != nil {
			return err
		}
	}
	var end int64
	if r.ended() {
		end = storage.Micros(r.metadata.GetEndTime().AsTime())
	}
	_, err = tx.Exec(ctx, "UPDATE operations SET state = $1, end_time = $2, metadata = $3, result = $4, error = $5 WHERE name = $6",
		r.metadata.GetState().String(), end, metadata, r.result, failure, r.name)
	return err
}

func (r *row) ended() bool { return r.metadata.GetEndTime() != nil }

// operation is the row as callers see it.
func (r *row) operation() (*longrunningpb.Operation, error) {
	metadata, err := anypb.New(r.metadata)
	if err != nil {
		return nil, err
	}
	out := &longrunningpb.Operation{Name: r.name, Metadata: metadata, Done: r.ended()}
	switch {
	case !r.ended():
	case r.failure != nil:
		out.Result = &longrunningpb.Operation_Error{Error: r.failure}
	default:
		response := &anypb.Any{}
		if err := proto.Unmarshal(r.result, response); err != nil {
			return nil, err
		}
		out.Result = &longrunningpb.Operation_Response{Response: response}
	}
	return out, nil
}
