package storage

import (
	"context"
	"database/sql"
)

// querier is what a transaction runs on.
type querier interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// Tx is a running transaction; it is used by one goroutine and not after its closure returned.
type Tx struct {
	q      querier
	engine Engine
	after  []func()
}

// Exec runs a statement and returns the number of rows that it changed.
func (tx *Tx) Exec(ctx context.Context, query string, args ...any) (int64, error) {
	res, err := tx.q.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

// Query runs a query; the caller closes the rows before the next statement.
func (tx *Tx) Query(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	return tx.q.QueryContext(ctx, query, args...)
}

// QueryRow runs a query for one row.
func (tx *Tx) QueryRow(ctx context.Context, query string, args ...any) *sql.Row {
	return tx.q.QueryRowContext(ctx, query, args...)
}

// Engine says which engine it runs on, for the few statements that differ.
func (tx *Tx) Engine() Engine { return tx.engine }

// ForUpdate is the clause that locks the rows of a query: empty on SQLite, which has one writer.
func (tx *Tx) ForUpdate() string {
	if tx.engine == Postgres {
		return " FOR UPDATE"
	}
	return ""
}

// AfterCommit calls fn once the transaction is durable, and never if it was rolled back.
func (tx *Tx) AfterCommit(fn func()) { tx.after = append(tx.after, fn) }

func (tx *Tx) committed() {
	for _, fn := range tx.after {
		fn()
	}
}

// Collect runs a query and scans every row.
func Collect[T any](ctx context.Context, tx *Tx, scan func(row Scanner) (T, error), query string, args ...any) ([]T, error) {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// Scanner is a row.
type Scanner interface {
	Scan(dest ...any) error
}
