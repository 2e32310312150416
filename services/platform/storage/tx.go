package storage

import (
	"context"
	"database/sql"
	"errors"
	"strings"
	"sync/atomic"
)

// session is what a transaction runs on.
type session interface {
	exec(ctx context.Context, query string, args []any) (int64, error)
	query(ctx context.Context, query string, args []any) (Rows, error)
	queue(ctx context.Context, then Check, query string, args []any) error
	each(ctx context.Context, then Check, query string, args []any) error
	ask(ctx context.Context, read func(Rows) error, query string, args []any) error
	askEach(ctx context.Context, read func(Rows) error, query string, args []any) error
	flush(ctx context.Context) error
	undo(ctx context.Context, to string) error // takes back what was done since a savepoint, also after a statement failed
}

// Rows are the rows of a query; Close ends it early.
type Rows interface {
	Scanner

	Next() bool
	Err() error
	Close() error
}

// Check judges what came of a queued statement: how many rows it changed, or why it failed. Its error fails the
// transaction; a failure that it has no words for stays one.
type Check func(changed int64, err error) error

// Tx is a running transaction; it is used by one goroutine and not after its closure returned.
type Tx struct {
	s      session
	engine Engine
	shared bool // whether others work in the same transaction
	after  []func()
	notes  map[any]any
}

// Exec runs a statement and returns the number of rows that it changed.
func (tx *Tx) Exec(ctx context.Context, query string, args ...any) (int64, error) {
	return tx.s.exec(ctx, query, args)
}

// Queue runs a statement whose outcome nothing depends on but the transaction itself: on PostgreSQL it goes along with the next
// statement that is waited for, or with the commit, so that it costs no wait of its own; on SQLite it runs at once. What came of
// it is told to then, and an error is the transaction's, whenever it comes; a nil then takes any number of rows. The arguments
// must not be changed afterwards.
func (tx *Tx) Queue(ctx context.Context, then Check, query string, args ...any) error {
	return tx.s.queue(ctx, then, query, args)
}

// QueueEach is Queue for a statement that adds or changes exactly the rows that it names, one for each list of its arguments: an INSERT of values
// only, in their order, or an UPDATE by its WHERE, with texts, whole numbers and bytes. Where many share the transaction, what they ask
// in the same words is done at once; none may then name another's rows.
func (tx *Tx) QueueEach(ctx context.Context, then Check, query string, args ...any) error {
	return tx.s.each(ctx, then, query, args)
}

// Ask is Queue for a query: read gets its rows, at once or when the next statement is waited for.
func (tx *Tx) Ask(ctx context.Context, read func(Rows) error, query string, args ...any) error {
	return tx.s.ask(ctx, read, query, args)
}

// AskEach is Ask for a query in plain words, SELECT … FROM … WHERE … with ORDER BY or FOR UPDATE after it and nothing else. Where many
// share the transaction, what they ask in the same words is answered at once.
func (tx *Tx) AskEach(ctx context.Context, read func(Rows) error, query string, args ...any) error {
	return tx.s.askEach(ctx, read, query, args)
}

// Flush waits for all that Queue and Ask have put off.
func (tx *Tx) Flush(ctx context.Context) error { return tx.s.flush(ctx) }

// Try runs fn so that an error takes back what fn did and nothing else: the transaction goes on. It costs three statements.
func (tx *Tx) Try(ctx context.Context, fn func(ctx context.Context) error) error {
	if err := tx.Flush(ctx); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, "SAVEPOINT tried"); err != nil {
		return err
	}
	after := len(tx.after)
	err := fn(ctx)
	if err == nil {
		err = tx.Flush(ctx)
	}
	if err != nil {
		tx.after = tx.after[:after]
		if back := tx.s.undo(ctx, "tried"); back != nil {
			return errors.Join(back, err)
		}
	}
	if _, end := tx.Exec(ctx, "RELEASE SAVEPOINT tried"); end != nil {
		return errors.Join(end, err)
	}
	return err
}

// Query runs a query; the caller closes the rows before the next statement.
func (tx *Tx) Query(ctx context.Context, query string, args ...any) (Rows, error) {
	return tx.s.query(ctx, query, args)
}

// QueryRow runs a query for one row.
func (tx *Tx) QueryRow(ctx context.Context, query string, args ...any) Scanner {
	rows, err := tx.s.query(ctx, query, args)
	return row{rows, err}
}

// row is the first row of a query; the query ends when it is scanned.
type row struct {
	rows Rows
	err  error
}

// Scan reads the row, or returns ErrNoRows.
func (r row) Scan(dest ...any) error {
	if r.err != nil {
		return r.err
	}
	defer func() { _ = r.rows.Close() }()
	if !r.rows.Next() {
		if err := r.rows.Err(); err != nil {
			return err
		}
		return ErrNoRows
	}
	if err := r.rows.Scan(dest...); err != nil {
		return err
	}
	return r.rows.Close()
}

// Engine says which engine it runs on, for the few statements that differ.
func (tx *Tx) Engine() Engine { return tx.engine }

// Shared reports whether other bodies work in the same transaction, so that a failure after the first change costs them theirs.
func (tx *Tx) Shared() bool { return tx.shared }

// ForUpdate is the clause that locks the rows of a query: empty on SQLite, which has one writer.
func (tx *Tx) ForUpdate() string {
	if tx.engine == Postgres {
		return " FOR UPDATE"
	}
	return ""
}

// Alone makes every transaction that names the same thing wait until this one has ended, where no row stands for it that could be
// locked: what is read after it stays true until the commit. It goes along with the next statement. SQLite has one writer, so nobody else is there.
func (tx *Tx) Alone(ctx context.Context, thing string) error {
	if tx.engine == SQLite {
		return nil
	}
	return tx.Queue(ctx, nil, "SELECT pg_advisory_xact_lock(hashtextextended($1, 0))", thing)
}

// Note keeps something that was learnt of a thing for whoever asks later in the transaction.
func (tx *Tx) Note(of, what any) {
	if tx.notes == nil {
		tx.notes = map[any]any{}
	}
	tx.notes[of] = what
}

// Noted is what was noted of a thing; nil for nothing.
func (tx *Tx) Noted(of any) any { return tx.notes[of] }

// AfterCommit calls fn once the transaction is durable, and never if it was rolled back.
func (tx *Tx) AfterCommit(fn func()) { tx.after = append(tx.after, fn) }

// committed calls what waits for the commit. A panic there takes nothing back and ends neither the writer nor the process; the caller is told.
func (tx *Tx) committed() (err error) {
	defer func() { err = recovered(recover(), "after the commit, which stands", err) }()
	for _, fn := range tx.after {
		fn()
	}
	return nil
}

// Collect runs a query and scans every row.
func Collect[T any](ctx context.Context, tx *Tx, scan func(row Scanner) (T, error), query string, args ...any) ([]T, error) {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	return all(rows, scan)
}

func all[T any](rows Rows, scan func(row Scanner) (T, error)) (out []T, err error) {
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// Gather is Collect by AskEach: every row is in into once the next statement was waited for, or Flush.
func Gather[T any](ctx context.Context, tx *Tx, into *[]T, scan func(row Scanner) (T, error), query string, args ...any) error {
	return tx.AskEach(ctx, func(rows Rows) (err error) {
		*into, err = all(rows, scan)
		return err
	}, query, args...)
}

// Scanner is a row.
type Scanner interface {
	Scan(dest ...any) error
}

// querier is what statements run on.
type querier interface {
	exec(ctx context.Context, query string, args ...any) (changed int64, err error)
	query(ctx context.Context, query string, args ...any) (Rows, error)
}

// pooled runs statements on a connection of database/sql's.
type pooled struct{ tx *sql.Tx }

func (p pooled) exec(ctx context.Context, query string, args ...any) (int64, error) {
	res, err := p.tx.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

func (p pooled) query(ctx context.Context, query string, args ...any) (Rows, error) {
	rows, err := p.tx.QueryContext(ctx, query, args...) //nolint:rowserrcheck // whoever reads the rows checks
	if err != nil {
		return nil, err
	}
	return rows, nil
}

// direct runs every statement at once, and counts them where somebody wants to know.
type direct struct {
	q     querier
	trips *atomic.Uint64
	wrote bool // whether there may be something to take back
}

func (d *direct) counted() {
	if d.trips != nil {
		d.trips.Add(1)
	}
}

func (d *direct) exec(ctx context.Context, query string, args []any) (int64, error) {
	d.counted()
	n, err := d.q.exec(ctx, query, args...)
	if err == nil {
		d.wrote = d.wrote || n > 0 || !strings.HasPrefix(query, "UPDATE ")
	} else {
		d.wrote = d.wrote || !isConstraint(err)
	}
	return n, err
}

func (d *direct) query(ctx context.Context, query string, args []any) (Rows, error) {
	d.counted()
	d.wrote = d.wrote || !strings.HasPrefix(query, "SELECT ")
	return d.q.query(ctx, query, args...)
}

func (d *direct) queue(ctx context.Context, then Check, query string, args []any) error {
	changed, err := d.exec(ctx, query, args)
	return judged(then, changed, err)
}

func (d *direct) each(ctx context.Context, then Check, query string, args []any) error {
	return d.queue(ctx, then, query, args)
}

func (d *direct) ask(ctx context.Context, read func(Rows) error, query string, args []any) error {
	rows, err := d.query(ctx, query, args)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	if err := read(rows); err != nil {
		return err
	}
	return rows.Close()
}

func (d *direct) askEach(ctx context.Context, read func(Rows) error, query string, args []any) error {
	return d.ask(ctx, read, query, args)
}

func (*direct) flush(context.Context) error { return nil }

func (d *direct) undo(ctx context.Context, to string) error {
	_, err := d.exec(ctx, "ROLLBACK TO SAVEPOINT "+to, nil)
	return err
}

// judged is what comes of a statement after its check, which may word a failure but not wave it through.
func judged(check Check, changed int64, err error) error {
	if check == nil {
		return err
	}
	if verdict := check(changed, err); verdict != nil {
		return verdict
	}
	return err
}
