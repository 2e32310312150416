package storage

import (
	"cmp"
	"context"
	"errors"
	"strings"
)

// errAlone is the verdict on a body that must run by itself.
var errAlone = errors.New("this transaction can't share one")

// member is a body in a crowd, and the session that it runs on: what it waits for is sent by the crowd.
type member struct {
	ctx     context.Context
	fn      Func
	engine  Engine
	holds   []string
	tx      Tx
	kept    []*statementOf
	answers []func() error // what reads the rows that it asked for
	wrote   bool           // whether the store was sent more than questions
	over    bool           // whether the body ended
	verdict error
	broken  error               // why the group failed, if it did
	refused error               // what the body's reader said of what it read
	turn    chan chan<- *member // where the group takes it in; it says there when it waits or has ended
	paused  chan<- *member
	wake    chan struct{}
	result  chan error
}

// usual is how many statements a body has for the store at once.
const usual = 12

// statementOf is what a member waits for, or will.
type statementOf struct {
	outcome

	query string
	args  []any
	each  bool   // whether it may be done together with others in the same words
	found *found // where the rows go that it asks for
}

func writes(s *statementOf) bool { return !strings.HasPrefix(s.query, "SELECT ") }

// unkept reports whether the body failed so that what it did would have to be taken back.
func (m *member) unkept() bool {
	return m.over && m.verdict != nil && (m.wrote || errors.Is(m.verdict, errAlone))
}

// run runs the body beside those of the group, from its beginning.
func (m *member) run(paused chan<- *member) {
	m.paused, m.kept, m.answers, m.wrote, m.over, m.verdict, m.broken, m.refused = paused, nil, nil, false, false, nil, nil, nil
	m.tx = Tx{s: m, engine: m.engine, shared: true}
	m.verdict = guarded(context.WithoutCancel(m.ctx), m.toItsEnd, &m.tx)
	if m.over = true; m.verdict != nil {
		m.kept = nil // nothing of it was done
	}
	m.paused <- m
}

// toItsEnd runs the body and reads what it asked for last.
func (m *member) toItsEnd(ctx context.Context, tx *Tx) error {
	if err := m.fn(ctx, tx); err != nil || len(m.answers) == 0 {
		return err
	}
	return m.flush(ctx)
}

func (m *member) keep(o outcome, query string, args []any) error {
	if m.broken == nil && (strings.HasPrefix(query, "SAVEPOINT ") || strings.HasPrefix(query, "ROLLBACK ")) {
		m.broken = errAlone // a part of a shared transaction can't be taken back
	}
	if err := m.stopped(); err != nil {
		return err
	}
	o.of = m
	if m.kept == nil {
		m.kept = make([]*statementOf, 0, usual)
	}
	m.kept = append(m.kept, &statementOf{outcome: o, query: query, args: args})
	return nil
}

// stopped is why the body can't go on.
func (m *member) stopped() error { return cmp.Or(m.broken, m.refused) }

func (m *member) queue(_ context.Context, then Check, query string, args []any) error {
	return m.keep(outcome{check: then}, query, args)
}

func (m *member) each(ctx context.Context, then Check, query string, args []any) error {
	if err := m.queue(ctx, then, query, args); err != nil {
		return err
	}
	m.kept[len(m.kept)-1].each = true
	return nil
}

func (m *member) ask(_ context.Context, read func(Rows) error, query string, args []any) error {
	rows := &found{}
	if err := m.keep(outcome{read: rows.take}, query, args); err != nil {
		return err
	}
	m.kept[len(m.kept)-1].found = rows
	m.answers = append(m.answers, func() error { return read(rows) })
	return nil
}

func (m *member) askEach(ctx context.Context, read func(Rows) error, query string, args []any) error {
	if err := m.ask(ctx, read, query, args); err != nil {
		return err
	}
	m.kept[len(m.kept)-1].each = true
	return nil
}

// flush waits until all that is kept was done, and reads what was asked for: here and not where the group is served, so that members
// read side by side and each alone has what its reader refuses.
func (m *member) flush(context.Context) error {
	if len(m.kept) > 0 && m.stopped() == nil {
		m.paused <- m
		<-m.wake
	}
	for _, read := range m.answers {
		if m.stopped() == nil {
			m.refused = read()
		}
	}
	m.answers = nil
	return m.stopped()
}

func (m *member) exec(ctx context.Context, query string, args []any) (changed int64, err error) {
	if err := m.keep(outcome{check: func(n int64, err error) error {
		changed = n
		return err
	}}, query, args); err != nil {
		return 0, err
	}
	return changed, m.flush(ctx)
}

func (m *member) query(ctx context.Context, query string, args []any) (Rows, error) {
	rows := &found{}
	if err := m.keep(outcome{read: rows.take}, query, args); err != nil {
		return nil, err
	}
	return rows, m.flush(ctx)
}

func (m *member) undo(context.Context, string) error { return errAlone }
