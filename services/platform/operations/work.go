package operations

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/killpoint"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// The worker's patience, in real time, also where the suite's own clock stands still.
const (
	lookEvery  = 500 * time.Millisecond // for operations that another process started
	firstPause = time.Second            // after trouble with an operation; doubled with each further trouble
	lastPause  = 30 * time.Second
	maxTrouble = 6 // troubles without progress that are not of the "unavailable" kind until an operation fails
)

// opened is an operation that this process works, and the trouble that it has with it.
type opened struct {
	job     *Job
	caller  auth.Identity
	trouble int
	rest    time.Time // when it is tried again
}

// Run works until ctx ends.
func (o *Operations) Run(ctx context.Context) {
	for ctx.Err() == nil {
		worked, err := o.Once(ctx)
		if err != nil && ctx.Err() == nil {
			o.Log.WarnContext(ctx, "an operation waits", "error", err)
		}
		if worked {
			continue
		}
		select {
		case <-ctx.Done():
		case <-o.wake:
		case <-clock.System().After(lookEvery):
		}
	}
}

// Once works one part of every operation that is not ended, and says whether there was any to work. Trouble with one does not
// keep it from the others.
func (o *Operations) Once(ctx context.Context) (worked bool, err error) {
	var names []string
	if err := o.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		names, err = storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
			err = row.Scan(&name)
			return name, err
		}, "SELECT name FROM operations WHERE end_time = 0 ORDER BY create_time, name")
		return err
	}); err != nil {
		return false, err
	}
	o.keepOnly(names)
	var errs []error
	for _, name := range names {
		if ctx.Err() != nil {
			break
		}
		one, err := o.advance(ctx, name)
		worked = worked || one
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", name, err))
		}
	}
	return worked, errors.Join(errs...)
}

// advance works one part of an operation.
func (o *Operations) advance(ctx context.Context, name string) (worked bool, err error) {
	w := o.of(name)
	if clock.System().Now().Before(w.rest) {
		return false, nil
	}
	if w.job == nil {
		err = o.prepare(ctx, name, w)
	}
	if err == nil && w.job != nil {
		worked, err = o.step(ctx, name, w)
	}
	if err == nil {
		w.trouble = 0
		return worked, nil
	}
	if ctx.Err() != nil {
		return false, err
	}
	return false, errors.Join(err, o.troubled(ctx, name, w, err))
}

func (o *Operations) of(name string) *opened {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.open[name] == nil {
		o.open[name] = &opened{}
	}
	return o.open[name]
}

// keepOnly closes the jobs of operations that ended, here or elsewhere.
func (o *Operations) keepOnly(names []string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	maps.DeleteFunc(o.open, func(name string, _ *opened) bool { return !slices.Contains(names, name) })
}

// prepare reads what the operation was started with and opens its job.
func (o *Operations) prepare(ctx context.Context, name string, w *opened) error {
	var r *row
	var file []byte
	err := o.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if r, err = read(ctx, tx, name, ""); err != nil || r == nil || r.metadata.GetInputSha256() == "" {
			return err
		}
		return tx.QueryRow(ctx, "SELECT content FROM operation_inputs WHERE hash = $1", r.metadata.GetInputSha256()).Scan(&file)
	})
	if err != nil || r == nil || r.ended() {
		return err
	}
	kind, ok := o.kinds[r.metadata.GetKind()]
	if !ok {
		return fault.New(fault.Unimplemented, "OPERATION_UNKNOWN", "This version does no %q. Start it anew with the version that does.", r.metadata.GetKind())
	}
	request, err := r.request.UnmarshalNew()
	if err != nil {
		return err
	}
	if w.caller, err = identityOf(r.caller); err != nil {
		return err
	}
	in := Input{Name: name, Request: request, File: file, CreateTime: r.metadata.GetCreateTime().AsTime()}
	w.job, err = kind.Open(auth.NewContext(ctx, w.caller), in)
	return err
}

// step works one part in one transaction, on behalf of whoever started the operation. It does nothing when another instance
// has the operation in hand.
func (o *Operations) step(ctx context.Context, name string, w *opened) (worked bool, err error) {
	err = o.DB.Update(auth.NewContext(ctx, w.caller), func(ctx context.Context, tx *storage.Tx) error {
		worked = false
		r, err := o.claim(ctx, tx, name)
		if err != nil || r == nil || r.ended() {
			return err
		}
		worked = true
		killpoint.At(killpoint.OperationClaimed)
		if err := o.part(ctx, tx, r, w.job); err != nil {
			return err
		}
		killpoint.At(killpoint.OperationWorked)
		return r.save(ctx, tx)
	})
	return worked, err
}

// claim locks an operation; nil when another instance has the lock.
func (o *Operations) claim(ctx context.Context, tx *storage.Tx, name string) (*row, error) {
	lock := tx.ForUpdate()
	if lock != "" {
		lock += " SKIP LOCKED"
	}
	return read(ctx, tx, name, lock)
}

// part does the next rows of a job or, when none are left to do, what comes after them.
func (o *Operations) part(ctx context.Context, tx *storage.Tx, r *row, job *Job) error {
	m := r.metadata
	step := &Step{From: int(m.GetDoneCount()), metadata: m, Result: proto.Clone(job.Result)}
	if len(r.result) > 0 {
		if err := unpack(r.result, step.Result); err != nil {
			return err
		}
	}
	m.RowCount, m.UpdateTime = int64(job.Rows), timestamppb.New(o.Clock.Now())
	step.To = min(step.From+part, job.Rows)
	left := false
	var err error
	if m.GetState() == operationsv1.OperationMetadata_QUEUED {
		m.State = operationsv1.OperationMetadata_RUNNING
	}
	if m.GetState() == operationsv1.OperationMetadata_RUNNING && step.From < step.To {
		err = job.Work(ctx, tx, step)
		m.DoneCount, left = int64(step.To), true
	} else if job.Complete != nil {
		step.To = step.From
		left, err = job.Complete(ctx, tx, step)
	}
	if err != nil {
		return err
	}
	if !left {
		o.end(r)
	}
	r.result, err = packed(step.Result)
	return err
}

// end closes an operation whose work is done, or was cancelled.
func (o *Operations) end(r *row) {
	m := r.metadata
	m.EndTime, m.UpdateTime = timestamppb.New(o.Clock.Now()), timestamppb.New(o.Clock.Now())
	if m.GetState() == operationsv1.OperationMetadata_CANCELLING {
		m.State = operationsv1.OperationMetadata_CANCELLED
		return
	}
	m.State = operationsv1.OperationMetadata_SUCCEEDED
}

// troubled decides what becomes of an operation that could not go on: a refusal ends it, all else has it tried again later.
// One that kept rows before completes what it can of them first.
func (o *Operations) troubled(ctx context.Context, name string, w *opened, why error) error {
	w.trouble++
	w.rest = clock.System().Now().Add(min(firstPause<<min(w.trouble-1, 10), lastPause))
	f, refused := fault.As(why)
	if fault.Undecided(why) && (refused && f.Category != fault.Internal || w.trouble < maxTrouble) {
		return nil
	}
	incomplete := o.complete(ctx, name, w)
	return errors.Join(incomplete, o.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		r, err := read(ctx, tx, name, tx.ForUpdate())
		if err != nil || r == nil || r.ended() {
			return err
		}
		o.fail(r, why)
		return r.save(ctx, tx)
	}))
}

// complete does what comes after the rows that a failing operation kept. The operation fails whether or not that succeeds: what
// is left then is done by its service at the next start.
func (o *Operations) complete(ctx context.Context, name string, w *opened) error {
	if w.job == nil || w.job.Complete == nil {
		return nil
	}
	for left := true; left; {
		err := o.DB.Update(auth.NewContext(ctx, w.caller), func(ctx context.Context, tx *storage.Tx) error {
			left = false
			r, err := read(ctx, tx, name, tx.ForUpdate())
			if err != nil || r == nil || r.ended() || len(r.result) == 0 {
				return err
			}
			done := int(r.metadata.GetDoneCount())
			step := &Step{From: done, To: done, metadata: r.metadata, Result: proto.Clone(w.job.Result)}
			if err := unpack(r.result, step.Result); err != nil {
				return err
			}
			if left, err = w.job.Complete(ctx, tx, step); err != nil {
				return err
			}
			if r.result, err = packed(step.Result); err != nil {
				return err
			}
			return r.save(ctx, tx)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (o *Operations) fail(r *row, why error) {
	r.failure = status.Convert(rpc.ToStatus(why)).Proto()
	r.metadata.State = operationsv1.OperationMetadata_FAILED
	r.metadata.EndTime, r.metadata.UpdateTime = timestamppb.New(o.Clock.Now()), timestamppb.New(o.Clock.Now())
}

// packed is a message with its type.
func packed(m proto.Message) ([]byte, error) {
	a, err := anypb.New(m)
	if err != nil {
		return nil, err
	}
	return proto.Marshal(a)
}

func unpack(raw []byte, into proto.Message) error {
	a := &anypb.Any{}
	if err := proto.Unmarshal(raw, a); err != nil {
		return err
	}
	return a.UnmarshalTo(into)
}
