package storage

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"

	"coldsection.example/services/platform/killpoint"
)

// maxGroup is how many transactions share one commit at most.
const maxGroup = 128

// wary is how many groups keep their members apart after one in which a member failed with its work half done.
const wary = 16

// groupWriter is SQLite's one writer. Requests queue up while a commit is on its way to the disk; the next group takes
// them all. Most of those that fail do so before they wrote anything, and then there is nothing to take back; when one fails later,
// the group is rolled back and run again, each in a savepoint, so that one refusal does not sink the rest. A savepoint costs two
// statements and a copy of every page that is written, so groups go without while all goes well.
type groupWriter struct {
	conn  *prepared
	trips *atomic.Uint64
	queue chan *request
	quit  chan struct{}
	done  chan struct{}
	once  sync.Once
	apart int // for how many groups more each member gets a savepoint
}

type request struct {
	ctx    context.Context
	fn     Func
	tx     Tx
	on     direct
	failed error // what its body said
	result chan error
}

var errClosed = errors.New("the database is closed")

func startGroupWriter(conn *prepared, trips *atomic.Uint64) *groupWriter {
	w := &groupWriter{conn: conn, trips: trips, queue: make(chan *request), quit: make(chan struct{}), done: make(chan struct{})}
	go w.run()
	return w
}

func (w *groupWriter) stop() {
	w.once.Do(func() { close(w.quit) })
	<-w.done
}

// do hands fn to the writer and waits. Once the writer took it, the answer is awaited even when ctx ends: the outcome of a
// commit must not be guessed.
func (w *groupWriter) do(ctx context.Context, fn Func) error {
	r := &request{ctx: ctx, fn: fn, result: make(chan error, 1)}
	select {
	case w.queue <- r:
		return <-r.result
	case <-ctx.Done():
		return ctx.Err()
	case <-w.quit:
		return unavailable(errClosed)
	}
}

func (w *groupWriter) run() {
	defer close(w.done)
	defer func() { _ = w.conn.forget() }()
	for {
		select {
		case r := <-w.queue:
			w.commit(w.gather(r))
		case <-w.quit:
			return
		}
	}
}

// gather takes whoever waits already.
func (w *groupWriter) gather(first *request) []*request {
	group := []*request{first}
	for len(group) < maxGroup {
		select {
		case r := <-w.queue:
			group = append(group, r)
		default:
			return group
		}
	}
	return group
}

// commit runs a group and answers all of it once it is durable: a refusal too may rest on what a neighbour changed.
func (w *groupWriter) commit(group []*request) {
	ctx, run := context.Background(), w.plain
	if w.apart > 0 && len(group) > 1 {
		w.apart--
		run = w.savepoint
	}
	err := w.together(ctx, group, run)
	switch {
	case errors.Is(err, errHalfDone):
		w.apart = wary
		err = w.together(ctx, group, w.savepoint)
	case errors.Is(err, ErrTakeBack):
		err = w.together(ctx, group, w.savepoint)
	}
	if err != nil {
		err = unavailable(err)
	}
	for _, r := range group {
		if r.failed == nil && err == nil {
			r.failed = r.tx.committed()
		}
		r.result <- cmp.Or(r.failed, err)
	}
}

// errHalfDone ends a group in which a member failed after it had written.
var errHalfDone = errors.New("a member of the group failed with its work half done")

// ErrTakeBack is what a body returns that only wants to know what would come of it: nothing of it is kept, and nothing went wrong.
// It says nothing about the next groups, as a failure does.
var ErrTakeBack = errors.New("taken back as it wants")

// together runs a group in one transaction.
func (w *groupWriter) together(ctx context.Context, group []*request, run func(context.Context, *request) error) error {
	for _, r := range group {
		r.failed = nil
	}
	if _, err := w.conn.exec(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	for _, r := range group {
		if r.failed = run(ctx, r); r.failed == nil || !r.on.wrote {
			continue
		}
		_, err := w.conn.exec(ctx, "ROLLBACK")
		switch {
		case err != nil || len(group) == 1:
			return err
		case errors.Is(r.failed, ErrTakeBack):
			return ErrTakeBack
		default:
			return errHalfDone
		}
	}
	killpoint.At(killpoint.StoreWritten)
	_, err := w.conn.exec(ctx, "COMMIT")
	if err != nil {
		_, _ = w.conn.exec(ctx, "ROLLBACK")
	}
	killpoint.At(killpoint.StoreCommitted)
	return err
}

// plain runs one request. Its context can't end any more: SQLite answers an interrupted write by rolling back the whole
// transaction, and with it the neighbours in the group.
func (w *groupWriter) plain(_ context.Context, r *request) error {
	r.on = direct{q: w.conn, trips: w.trips}
	r.tx = Tx{s: &r.on, engine: SQLite}
	if err := r.ctx.Err(); err != nil {
		return err
	}
	return guarded(context.WithoutCancel(r.ctx), r.fn, &r.tx)
}

// savepoint runs one request so that what it did can be taken back by itself.
func (w *groupWriter) savepoint(ctx context.Context, r *request) error {
	if _, err := w.conn.exec(ctx, "SAVEPOINT one"); err != nil {
		return unavailable(err)
	}
	err := w.plain(ctx, r)
	if err != nil {
		if _, back := w.conn.exec(ctx, "ROLLBACK TO one"); back != nil {
			return errors.Join(err, back)
		}
		r.on.wrote = false
	}
	if _, rel := w.conn.exec(ctx, "RELEASE one"); rel != nil {
		r.on.wrote = true
		return errors.Join(err, rel)
	}
	return err
}

// guarded turns a panic of fn into an error, so that it can't end the writer.
func guarded(ctx context.Context, fn Func, tx *Tx) (err error) {
	defer func() { err = recovered(recover(), "in a transaction", err) }()
	return fn(ctx, tx)
}

// recovered is the error of a panic, or the one that is there when nothing panicked.
func recovered(panicked any, where string, err error) error {
	if panicked == nil {
		return err
	}
	return fmt.Errorf("panic %s: %v\n%s", where, panicked, debug.Stack())
}
