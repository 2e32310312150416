package storage

import (
	"cmp"
	"context"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/stdlib"

	"coldsection.example/services/platform/killpoint"
)

// pipeline is a transaction on PostgreSQL. Statements that nobody waits for are kept and go to the server together with the next
// one that is waited for; the first takes BEGIN along.
type pipeline struct {
	conn  *pgx.Conn
	batch *pgx.Batch
	then  []outcome
	trips uint64 // how often the server was waited for
	open  pgx.BatchResults
	// failed is why a kept statement failed, or its outcome was not what it had to be; culprit is whose it was, in a crowd.
	failed  error
	culprit *member
}

// newPipeline begins a transaction on a connection of the driver's.
func newPipeline(raw any) *pipeline {
	c, _ := raw.(*stdlib.Conn) // the driver that openPostgres names
	p := &pipeline{conn: c.Conn(), batch: &pgx.Batch{}}
	p.keep(outcome{}, "BEGIN", nil)
	return p
}

// outcome says what becomes of a kept statement: its rows are read, or the number of those that it changed is judged.
type outcome struct {
	read  func(Rows) error
	check Check
	of    *member // in a crowd, who waits for it
}

// waited reports whether the transaction depends on the outcome.
func (o outcome) waited() bool { return o.read != nil || o.check != nil }

// hear takes the next result of a batch; what panics over it fails the transaction.
func (o outcome) hear(results pgx.BatchResults, types *pgtype.Map) (err error) {
	defer func() { err = recovered(recover(), "in a transaction", err) }()
	if o.read == nil {
		tag, err := results.Exec()
		return judged(o.check, tag.RowsAffected(), err)
	}
	rows, err := results.Query()
	if err != nil {
		return err
	}
	defer rows.Close()
	if err := o.read(closable{rows, types}); err != nil {
		return err
	}
	rows.Close()
	return rows.Err()
}

func (p *pipeline) keep(o outcome, query string, args []any) {
	p.batch.Queue(query, args...)
	p.then = append(p.then, o)
}

func (p *pipeline) queue(_ context.Context, then Check, query string, args []any) error {
	p.keep(outcome{check: then}, query, args)
	return p.failed
}

func (p *pipeline) each(ctx context.Context, then Check, query string, args []any) error {
	return p.queue(ctx, then, query, args)
}

func (p *pipeline) ask(_ context.Context, read func(Rows) error, query string, args []any) error {
	p.keep(outcome{read: read}, query, args)
	return p.failed
}

func (p *pipeline) askEach(ctx context.Context, read func(Rows) error, query string, args []any) error {
	return p.ask(ctx, read, query, args)
}

// send gives the server all that is kept, and hears what came of it, but for the last so many statements. After a failure
// nothing is sent any more, so that nobody who overlooks it can commit.
func (p *pipeline) send(ctx context.Context, last int) (pgx.BatchResults, error) {
	if p.failed == nil {
		p.failed = p.settled()
	}
	if p.failed != nil {
		return nil, p.failed
	}
	batch, then := p.batch, p.then
	p.batch, p.then = &pgx.Batch{}, nil
	p.trips++
	results := p.conn.SendBatch(ctx, batch)
	for _, o := range then[:len(then)-last] {
		if p.failed = o.hear(results, p.conn.TypeMap()); p.failed != nil {
			p.culprit = cmp.Or(p.culprit, o.of)
			_ = results.Close() // what it could tell comes of the first failure
			return nil, p.failed
		}
	}
	return results, nil
}

// settled ends a query that its reader left open.
func (p *pipeline) settled() error {
	if p.open == nil {
		return nil
	}
	open := p.open
	p.open = nil
	return open.Close()
}

func (p *pipeline) exec(ctx context.Context, query string, args []any) (int64, error) {
	tag, err := p.run(ctx, query, args)
	return tag.RowsAffected(), err
}

// run sends a statement after all that is kept, and waits for it.
func (p *pipeline) run(ctx context.Context, query string, args []any) (tag pgconn.CommandTag, err error) {
	p.keep(outcome{}, query, args)
	results, err := p.send(ctx, 1)
	if err != nil {
		return tag, err
	}
	tag, err = results.Exec()
	if end := results.Close(); err == nil {
		err = end
	}
	return tag, err
}

func (p *pipeline) query(ctx context.Context, query string, args []any) (Rows, error) {
	p.keep(outcome{}, query, args)
	results, err := p.send(ctx, 1)
	if err != nil {
		return nil, err
	}
	rows, err := results.Query()
	if err != nil {
		_ = results.Close()
		return nil, err
	}
	p.open = results
	return pipedRows{closable{rows, p.conn.TypeMap()}, p}, nil
}

// flush waits for all that is kept.
func (p *pipeline) flush(ctx context.Context) error {
	if p.batch.Len() == 0 {
		return p.settled()
	}
	results, err := p.send(ctx, 0)
	if err != nil {
		return err
	}
	return results.Close()
}

// undo drops what is kept, which was not done yet, and forgets the failure that it takes back.
func (p *pipeline) undo(ctx context.Context, to string) error {
	_ = p.settled()
	p.batch, p.then, p.failed = &pgx.Batch{}, nil, nil
	_, err := p.run(ctx, "ROLLBACK TO SAVEPOINT "+to, nil)
	return err
}

// commit sends what is kept and makes it durable. Where a statement's outcome has to be judged first, the commit waits for that.
// Reason: STORE_UNAVAILABLE.
func (p *pipeline) commit(ctx context.Context) error {
	if slices.ContainsFunc(p.then, outcome.waited) {
		if err := p.flush(ctx); err != nil {
			return err
		}
	}
	killpoint.At(killpoint.StoreWritten)
	tag, err := p.run(ctx, "COMMIT", nil)
	killpoint.At(killpoint.StoreCommitted)
	switch {
	case err != nil && (postgresCode(err) == "" || broken(err)):
		return unknown(err)
	case err == nil && tag.String() != "COMMIT": // a statement had failed and nobody minded
		return pgx.ErrTxCommitRollback
	default:
		return err
	}
}

// rollback gives up; where even that fails, the pool throws the connection away.
func (p *pipeline) rollback(ctx context.Context) {
	_ = p.settled()
	if p.conn.IsClosed() || p.conn.PgConn().TxStatus() == 'I' {
		return
	}
	_, _ = p.conn.Exec(ctx, "ROLLBACK")
}

// closable are rows of a batch.
type closable struct {
	pgx.Rows

	types *pgtype.Map
}

// Close ends the query.
func (r closable) Close() error {
	r.Rows.Close()
	return r.Rows.Err()
}

// pipedRows are the rows of the last statement of a batch.
type pipedRows struct {
	closable

	p *pipeline
}

// Close ends the query and its batch.
func (r pipedRows) Close() error {
	err := r.closable.Close()
	if end := r.p.settled(); err == nil {
		err = end
	}
	return err
}
