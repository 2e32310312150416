package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// maxGroup is how many transactions share one commit at most.
const maxGroup = 128

// groupWriter is SQLite's one writer. Requests queue up while a commit is on its way to the disk; the next group takes
// them all, each in a savepoint so that one refusal does not sink the rest.
type groupWriter struct {
	conn  *prepared
	trips *atomic.Uint64
	queue chan *request
	quit  chan struct{}
	done  chan struct{}
	once  sync.Once
}

type request struct {
	ctx    context.Context
	fn     Func
	tx     Tx
	result chan error
}

var errClosed = errors.New("the database is closed")

func startGroupWriter(conn *sql.Conn, trips *atomic.Uint64) *groupWriter {
	w := &groupWriter{conn: newPrepared(conn), trips: trips, queue: make(chan *request), quit: make(chan struct{}), done: make(chan struct{})}
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
	defer func() { _ = w.conn.close() }()
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

func (w *groupWriter) commit(group []*request) {
	ctx := context.Background()
	if _, err := w.conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		answer(group, unavailable(err))
		return
	}
	var ran []*request
	for _, r := range group {
		if err := w.savepoint(ctx, r); err != nil {
			r.result <- err
			continue
		}
		ran = append(ran, r)
	}
	if _, err := w.conn.ExecContext(ctx, "COMMIT"); err != nil {
		_, _ = w.conn.ExecContext(ctx, "ROLLBACK")
		answer(ran, unavailable(err))
		return
	}
	for _, r := range ran {
		r.tx.committed()
		r.result <- nil
	}
}

func answer(group []*request, err error) {
	for _, r := range group {
		r.result <- err
	}
}

// savepoint runs one request. Its context can't end any more: SQLite answers an interrupted write by rolling back the whole
// transaction, and with it the neighbours in the group.
func (w *groupWriter) savepoint(ctx context.Context, r *request) error {
	if err := r.ctx.Err(); err != nil {
		return err
	}
	if _, err := w.conn.ExecContext(ctx, "SAVEPOINT one"); err != nil {
		return unavailable(err)
	}
	r.tx = Tx{s: direct{w.conn, w.trips}, engine: SQLite}
	err := guarded(context.WithoutCancel(r.ctx), r.fn, &r.tx)
	if err != nil {
		if _, back := w.conn.ExecContext(ctx, "ROLLBACK TO one"); back != nil {
			return errors.Join(err, back)
		}
	}
	if _, rel := w.conn.ExecContext(ctx, "RELEASE one"); rel != nil {
		return errors.Join(err, rel)
	}
	return err
}

// guarded turns a panic of fn into an error, so that it can't end the writer.
func guarded(ctx context.Context, fn Func, tx *Tx) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic in a transaction: %v\n%s", p, debug.Stack())
		}
	}()
	return fn(ctx, tx)
}
