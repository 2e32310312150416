package storage

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
)

// errAlone is the verdict on a body that must run by itself.
var errAlone = errors.New("this transaction can't share one")

// member is a body in a crowd, and the session that it runs on: what it waits for is sent by the crowd.
type member struct {
	ctx     context.Context
	fn      Func
	holds   []string
	tx      Tx
	kept    []statementOf
	wrote   bool // whether the server was sent more than questions
	over    bool // whether the body ended
	verdict error
	broken  error               // why the group failed, if it did
	refused error               // what the body's reader said of what it read
	turn    chan chan<- *member // where the group takes it in; it says there when it waits or has ended
	paused  chan<- *member
	wake    chan struct{}
	result  chan error
}

// statementOf is what a member waits for, or will.
type statementOf struct {
	outcome

	query string
	args  []any
	each  bool // whether it may be done together with others in the same words
}

func writes(s statementOf) bool { return !strings.HasPrefix(s.query, "SELECT ") }

// unkept reports whether the body failed so that what it did would have to be taken back.
func (m *member) unkept() bool {
	return m.over && m.verdict != nil && (m.wrote || errors.Is(m.verdict, errAlone))
}

// run runs the body beside those of the group, from its beginning.
func (m *member) run(paused chan<- *member) {
	m.paused, m.kept, m.wrote, m.over, m.verdict, m.broken, m.refused = paused, nil, false, false, nil, nil, nil
	m.tx = Tx{s: m, engine: Postgres, shared: true}
	m.verdict = guarded(context.WithoutCancel(m.ctx), m.fn, &m.tx)
	if m.over = true; m.verdict != nil {
		m.kept = nil // nothing of it was done
	}
	m.paused <- m
}

func (m *member) keep(o outcome, query string, args []any) error {
	if m.broken == nil && (strings.HasPrefix(query, "SAVEPOINT ") || strings.HasPrefix(query, "ROLLBACK ")) {
		m.broken = errAlone // a part of a shared transaction can't be taken back
	}
	if err := m.stopped(); err != nil {
		return err
	}
	o.of = m
	m.kept = append(m.kept, statementOf{outcome: o, query: query, args: args})
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

// ask lets the body alone have what its reader refuses; an error of the server's comes up by itself.
func (m *member) ask(_ context.Context, read func(Rows) error, query string, args []any) error {
	return m.keep(outcome{read: func(rows Rows) error {
		if m.refused == nil {
			m.refused = read(rows)
		}
		return nil
	}}, query, args)
}

// flush waits until all that is kept was done.
func (m *member) flush(context.Context) error {
	if len(m.kept) > 0 && m.stopped() == nil {
		m.paused <- m
		<-m.wake
	}
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
	rows := &copied{}
	if err := m.keep(outcome{read: rows.take}, query, args); err != nil {
		return nil, err
	}
	return rows, m.flush(ctx)
}

func (m *member) undo(context.Context, string) error { return errAlone }

// copied are rows that were read before somebody looks at them.
type copied struct {
	types *pgtype.Map
	about []pgconn.FieldDescription
	rows  [][][]byte
	row   [][]byte
}

// take reads all rows of a query of a batch.
func (c *copied) take(rows Rows) error {
	from, _ := rows.(closable) // the rows of every batch
	c.about, c.types = slices.Clone(from.FieldDescriptions()), from.types
	for from.Next() {
		var row [][]byte
		for _, v := range from.RawValues() {
			row = append(row, append(v[:0:0], v...))
		}
		c.rows = append(c.rows, row)
	}
	return from.Err()
}

// Next goes on to a row, if there is one more.
func (c *copied) Next() bool {
	if len(c.rows) == 0 {
		return false
	}
	c.row, c.rows = c.rows[0], c.rows[1:]
	return true
}

// Scan copies the row.
func (c *copied) Scan(dest ...any) error { return pgx.ScanRow(c.types, c.about, c.row, dest...) }

// Err is why reading ended early: these rows are all there.
func (*copied) Err() error { return nil }

// Close ends the query.
func (*copied) Close() error { return nil }
