package audit

import (
	"context"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// Refusals of callers whom nobody knows cost the caller nothing, so they may not fill the audit: in a minute so many have a line
// of their own; the rest are counted, and one line says how many were refused alike.
const (
	strangersSpan = time.Minute
	ownLines      = 20
	mostAlike     = 100 // kinds of refusal that are told apart; beyond them only the count is kept
)

// strangers counts the refusals of a minute.
type strangers struct {
	mu    sync.Mutex
	until time.Time
	alone int
	alike map[alike]*accessv1.AuditEvent

	changed map[alike]bool // since soFar
}

// alike are the caller, method and reason of refusals that share a line.
type alike struct{ account, method, outcome string }

// Stranger writes down that a call was refused of nobody known, or of somebody who made too many.
func (l *Log) Stranger(ctx context.Context, c Call, outcome string) {
	l.later(ctx, l.strange.ended(l.Clock.Now())...)
	if l.counted(c, outcome) {
		return
	}
	_ = l.Write(ctx, c, outcome) // it is kept and logged; the call is refused whatever comes of it
}

// counted counts the refusal where it has no line of its own.
func (l *Log) counted(c Call, outcome string) bool {
	s, now := &l.strange, l.Clock.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.alike == nil {
		s.alike, s.changed, s.alone, s.until = map[alike]*accessv1.AuditEvent{}, map[alike]bool{}, 0, now.Add(strangersSpan)
	}
	if s.alone++; s.alone <= ownLines {
		return false
	}
	kind := alike{c.Account, c.Method, outcome}
	if s.alike[kind] == nil && len(s.alike) >= mostAlike {
		kind = alike{}
	}
	if s.alike[kind] == nil {
		s.alike[kind] = l.line(Call{Account: kind.account, Method: kind.method}, kind.outcome)
	}
	s.alike[kind].CallCount++
	s.changed[kind] = true
	return true
}

// soFar are the lines of the minute under way whose count changed since it was asked last.
func (s *strangers) soFar() []*accessv1.AuditEvent {
	s.mu.Lock()
	defer s.mu.Unlock()
	var lines []*accessv1.AuditEvent
	for kind := range s.changed {
		lines = append(lines, proto.CloneOf(s.alike[kind]))
	}
	clear(s.changed)
	return lines
}

// ended are the lines of a minute that is over.
func (s *strangers) ended(now time.Time) []*accessv1.AuditEvent {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.alike == nil || now.Before(s.until) {
		return nil
	}
	var lines []*accessv1.AuditEvent
	for _, line := range s.alike {
		lines = append(lines, line)
	}
	s.alike, s.changed = nil, nil
	return lines
}
