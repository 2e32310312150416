// Package audit writes down who called what through the door, and how it ended.
//
// A change has its line on disk before its answer is given. The line is written while the owner of the resource is at work, so
// that the two commits take the time of one; it then says BEGUN. How the call ended follows with the next line, or within a second.
// When the process dies between the two, the line stays BEGUN: who called what is known, how it ended the resource itself tells.
//
// When the line can't be written, the change is not answered as done, and from then on no change is let in before its line is
// on disk: at most what was under way at that moment was made without one, and these lines are kept and follow.
//
// Lines that the store can't take wait in a file beside it and are written by the next process if this one dies. What a process that dies
// can lose is how the calls of its last half second ended, whose lines say BEGUN, and of strangers the refusals of that time that were only counted.
package audit

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/beside"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
)

// Begun is the outcome of a call that is under way, or whose end was not written.
const Begun = "BEGUN"

// writeLimit is how long a transaction of the audit may take, so that a store that does not answer is one that fails, and nothing piles up before it.
const writeLimit = 10 * time.Second

// mostPending is how many lines wait at most while the store can't take them.
const mostPending = 10_000

// Log is the audit of one gateway. Its zero value with the exported fields set is ready.
type Log struct {
	DB    *storage.DB
	Clock clock.Clock
	IDs   ids.Source
	Log   *slog.Logger

	Spool string // the file in which lines wait while the store is away; empty keeps them in memory only

	failing atomic.Bool // the last line could not be written
	mu      sync.Mutex
	pending []*accessv1.AuditEvent // lines whose outcome is still to be written
	waits   spool
	spooled map[*accessv1.AuditEvent]bool // the lines that are in the file, and not yet in the store
	strange strangers
}

// Call is what a line says of a call.
type Call struct{ Account, Method, Target string }

// line makes a line.
func (l *Log) line(c Call, outcome string) *accessv1.AuditEvent {
	return &accessv1.AuditEvent{
		Name: "auditEvents/" + l.IDs.New(), Account: c.Account, Method: c.Method, Target: c.Target, Outcome: outcome,
		CreateTime: timestamppb.New(l.Clock.Now()),
	}
}

// Entry is the line of a call that is under way.
type Entry struct {
	log   *Log
	line  *accessv1.AuditEvent
	begun chan error // gets one value when the line is on disk, or can't be
}

// Begin starts to write the line of a call; while the audit fails it waits for it. Reason: AUDIT_UNAVAILABLE.
func (l *Log) Begin(ctx context.Context, c Call) (*Entry, error) {
	e := &Entry{log: l, line: l.line(c, Begun), begun: make(chan error, 1)}
	first, failing := proto.CloneOf(e.line), l.failing.Load() // of the lines before it: how its own comes off, its end says
	go func() {
		e.begun <- beside.Do(ctx, l.Log, "writing the audit", func() error { return l.write(context.WithoutCancel(ctx), first, accounts.BeginAudit) })
	}()
	if !failing {
		return e, nil
	}
	if err := e.wait(ctx); err != nil {
		return nil, fault.New(fault.Unavailable, "AUDIT_UNAVAILABLE",
			"The audit of calls can't be written, so no change is let in. Nothing was changed; try again in a moment, and see to the gateway's store if it stays.").Because(err)
	}
	e.begun <- nil
	return e, nil
}

// wait waits until the line is on disk.
func (e *Entry) wait(ctx context.Context) error {
	select {
	case err := <-e.begun:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// End says how the call ended, and returns when its line is on disk. Reason: AUDIT_UNWRITTEN.
func (e *Entry) End(ctx context.Context, outcome string) error {
	err := e.wait(ctx)
	e.line.Outcome = outcome
	e.log.later(ctx, e.line)
	if err != nil {
		return unwritten(err)
	}
	return nil
}

// Write adds the line of a call that ended, at once. Reason: AUDIT_UNWRITTEN.
func (l *Log) Write(ctx context.Context, c Call, outcome string) error {
	e := &Entry{log: l, line: l.line(c, outcome)}
	if err := l.write(context.WithoutCancel(ctx), e.line, accounts.SettleAudit); err != nil {
		l.later(ctx, e.line)
		return unwritten(err)
	}
	return nil
}

func unwritten(err error) error {
	return fault.New(fault.Unavailable, "AUDIT_UNWRITTEN",
		"The line of this call in the audit could not be written. What it asked for may have happened; send it again with the same idempotency key to find out.").Because(err)
}

// Flush writes what is known and not on disk: how calls ended, and how many strangers were refused so far.
func (l *Log) Flush(ctx context.Context) error {
	l.later(ctx, l.strange.ended(l.Clock.Now())...)
	l.later(ctx, l.strange.soFar()...)
	return l.write(ctx, nil, nil)
}

// Close writes all that is known, also of the minute under way.
func (l *Log) Close(ctx context.Context) error {
	l.later(ctx, l.strange.ended(l.Clock.Now().Add(strangersSpan))...)
	return l.Flush(ctx)
}

// later keeps a line until the next transaction, in the file too while the store is away.
func (l *Log) later(ctx context.Context, lines ...*accessv1.AuditEvent) {
	l.mu.Lock()
	defer l.mu.Unlock()
	defer l.spoolFresh(ctx)
	for _, line := range lines {
		if len(l.pending) < mostPending {
			l.pending = append(l.pending, line)
		} else {
			l.Log.ErrorContext(ctx, "a call is missing from the audit", "account", line.GetAccount(), "method", line.GetMethod(), "outcome", line.GetOutcome())
		}
	}
}

// write puts a line on disk, and with it all that waits.
func (l *Log) write(ctx context.Context, line *accessv1.AuditEvent, put func(context.Context, *storage.Tx, *accessv1.AuditEvent) error) error {
	waiting := l.takeOver(ctx)
	if line == nil && len(waiting) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, writeLimit)
	defer cancel()
	err := l.DB.UpdateUncounted(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if line != nil {
			if err := put(ctx, tx, line); err != nil {
				return err
			}
		}
		for _, w := range waiting {
			if err := accounts.SettleAudit(ctx, tx, w); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		l.Log.ErrorContext(ctx, "the audit can't be written", "error", err)
		l.putBack(ctx, waiting)
		return err
	}
	l.failing.Store(false)
	l.settled(ctx, waiting)
	return nil
}

// takeOver takes the lines that wait, with those that an earlier process left.
func (l *Log) takeOver(ctx context.Context) []*accessv1.AuditEvent {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.waits.path = l.Spool
	left, err := l.waits.take()
	if err != nil {
		l.Log.ErrorContext(ctx, "lines of the audit that wait in a file can't be read", "file", l.Spool, "error", err)
	}
	l.mark(left)
	waiting := slices.Concat(left, l.pending)
	l.pending = nil
	return waiting
}

// putBack keeps lines that the store did not take. Those that came meanwhile stand behind them.
func (l *Log) putBack(ctx context.Context, waiting []*accessv1.AuditEvent) {
	l.failing.Store(true)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.pending = append(waiting, l.pending...)
	l.spoolFresh(ctx)
}

// spoolFresh puts the pending lines into the file that are not there yet, while the store is away.
func (l *Log) spoolFresh(ctx context.Context) {
	if !l.failing.Load() {
		return
	}
	fresh := slices.DeleteFunc(slices.Clone(l.pending), func(line *accessv1.AuditEvent) bool { return l.spooled[line] })
	if err := l.waits.add(fresh); err != nil {
		l.Log.ErrorContext(ctx, "lines of the audit wait in memory only, and end with the process", "lines", len(fresh), "error", err)
		return
	}
	l.mark(fresh)
}

// mark remembers lines that are in the file.
func (l *Log) mark(lines []*accessv1.AuditEvent) {
	if l.spooled == nil {
		l.spooled = map[*accessv1.AuditEvent]bool{}
	}
	for _, line := range lines {
		l.spooled[line] = true
	}
}

// settled forgets lines that the store has, and the file with the last of them.
func (l *Log) settled(ctx context.Context, lines []*accessv1.AuditEvent) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range lines {
		delete(l.spooled, line)
	}
	if len(l.spooled) > 0 {
		return // of another transaction that is under way
	}
	if err := l.waits.clear(); err != nil {
		l.Log.ErrorContext(ctx, "the file of waiting lines of the audit can't be removed; its lines are written once more at the next start", "error", err)
	}
}
