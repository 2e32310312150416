// Package operations is work that takes longer than a call (AIP-151): a row in the service's own database says what is to be
// done, for whom and how far it is, and a worker does it part by part.
//
// Each part commits in one transaction with the progress that it made, so that after a crash, a restart or a move to another
// instance the work goes on behind the last part that was kept, and ends with the same result. The transaction holds the
// operation's row lock; of two instances one works a part and the other passes by. The lock ends with the connection, so a
// process that died holds nobody up. The file that an operation reads is kept by its hash before the call is answered.
package operations

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/storage"
)

// Keep is how long an operation stays readable after its end.
const Keep = 90 * 24 * time.Hour

// part is how many rows are kept together.
const part = 500

// maxErrors is how many refused rows an operation's metadata carries.
const maxErrors = 1000

// Kind is a sort of operation.
type Kind struct {
	// Name says what is done, such as "readings.import". It stands in rows and never changes.
	Name string
	// Open prepares the work, once in each process that does some of it. It may ask other services and must not write. A refusal
	// ends the operation as failed; any other error, and one that says "unavailable", has it tried again.
	Open func(ctx context.Context, in Input) (*Job, error)
}

// Input is what an operation was started with.
type Input struct {
	Name       string        // operations/{operation}
	Request    proto.Message // as it was given to Start
	File       []byte        // as it was given to Start
	CreateTime time.Time
}

// Job is an operation's work in this process. Work and Complete run inside transactions and can run more than once.
type Job struct {
	// Rows is how many rows there are; the same for the same input.
	Rows int
	// Result is the response before the first row.
	Result proto.Message
	// Work does the rows from step.From up to, not including, step.To. It counts in step.Result and names bad rows with Refuse.
	Work func(ctx context.Context, tx *storage.Tx, step *Step) error
	// Complete does what is left once no more rows are worked, also after a cancellation. It is called, each time in a transaction
	// of its own, until it says that nothing is left. It may be nil.
	Complete func(ctx context.Context, tx *storage.Tx, step *Step) (left bool, err error)
}

// Step is one part of a job.
type Step struct {
	From, To int
	Result   proto.Message // the response so far, of the type of Job.Result

	metadata *operationsv1.OperationMetadata
	last     int // the line refused last
}

// Refuse says why a row is not taken; line counts from 1 and column is empty when none is to blame. A row with two faults is
// refused once.
func (s *Step) Refuse(line int, column, reason, text string) {
	if m := s.metadata; line != s.last || m.GetRefusedCount() == 0 {
		m.RefusedCount++
	}
	s.last = line
	if len(s.metadata.GetRowErrors()) < maxErrors {
		s.metadata.RowErrors = append(s.metadata.RowErrors, &operationsv1.RowError{Line: int32(line), Column: column, Reason: reason, Text: text})
	}
}

// Deps is what operations need of their service.
type Deps struct {
	Part   string // the service, lower-case letters only; operations' ids begin with it
	DB     *storage.DB
	Clock  clock.Clock
	IDs    ids.Source
	Lister *listing.Lister
	Log    *slog.Logger // nil says nothing
}

// Operations are the operations of one service.
type Operations struct {
	Deps

	kinds map[string]Kind
	wake  chan struct{}

	mu   sync.Mutex
	open map[string]*opened // by name of the operation
}

// New makes the operations of a service.
func New(deps Deps, kinds ...Kind) *Operations {
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	o := &Operations{Deps: deps, kinds: map[string]Kind{}, wake: make(chan struct{}, 1), open: map[string]*opened{}}
	for _, k := range kinds {
		o.kinds[k.Name] = k
	}
	return o
}

// Start begins an operation of a kind on the caller's behalf, in the caller's transaction; request should not carry the file
// a second time. Without a file, file is nil.
func (o *Operations) Start(ctx context.Context, tx *storage.Tx, kind string, request proto.Message, file []byte) (*longrunningpb.Operation, error) {
	if _, ok := o.kinds[kind]; !ok {
		return nil, fmt.Errorf("operations: %s works no %q", o.Part, kind)
	}
	id, _ := auth.FromContext(ctx)
	now := timestamppb.New(o.Clock.Now())
	r := &row{name: "operations/" + o.Part + "-" + o.IDs.New(), metadata: &operationsv1.OperationMetadata{
		Kind: kind, State: operationsv1.OperationMetadata_QUEUED, Creator: id.Account, CreateTime: now, UpdateTime: now,
	}}
	var err error
	if r.request, err = anypb.New(request); err != nil {
		return nil, err
	}
	if r.caller, err = callerOf(id); err != nil {
		return nil, err
	}
	if r.metadata.InputSha256, err = keepInput(ctx, tx, file); err != nil {
		return nil, err
	}
	if err := r.insert(ctx, tx); err != nil {
		return nil, err
	}
	tx.AfterCommit(o.poke)
	return r.operation()
}

// poke has the worker look for work at once.
func (o *Operations) poke() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// keepInput keeps a file under its hash; no file has none.
func keepInput(ctx context.Context, tx *storage.Tx, file []byte) (hash string, err error) {
	if len(file) == 0 {
		return "", nil
	}
	sum := sha256.Sum256(file)
	hash = hex.EncodeToString(sum[:])
	_, err = tx.Exec(ctx, "INSERT INTO operation_inputs (hash, content) VALUES ($1, $2) ON CONFLICT (hash) DO NOTHING", hash, file)
	return hash, err
}

// Sweep forgets operations that ended longer ago than Keep, and the files that no operation reads any more.
func Sweep(ctx context.Context, tx *storage.Tx, now time.Time) error {
	if _, err := tx.Exec(ctx, "DELETE FROM operations WHERE end_time > 0 AND end_time < $1", storage.Micros(now.Add(-Keep))); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, "DELETE FROM operation_inputs WHERE hash NOT IN (SELECT input FROM operations)")
	return err
}
