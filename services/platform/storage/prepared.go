package storage

import (
	"context"
	"database/sql"
	"errors"
)

// maxPrepared is how many statements the writer keeps ready; services have fewer, but lists of names make texts of many lengths.
const maxPrepared = 512

// prepared runs statements on one connection and parses each text once: of a short statement on SQLite the parsing is the
// greater part.
type prepared struct {
	conn  *sql.Conn
	known map[string]*sql.Stmt
}

func newPrepared(conn *sql.Conn) *prepared {
	return &prepared{conn: conn, known: map[string]*sql.Stmt{}}
}

// statement is the parsed form of a text; nil where the database refuses it, so that running the text itself tells why.
func (p *prepared) statement(query string) *sql.Stmt {
	if s, ok := p.known[query]; ok {
		return s
	}
	if len(p.known) >= maxPrepared {
		_ = p.forget()
	}
	s, err := p.conn.PrepareContext(context.Background(), query)
	if err != nil {
		return nil
	}
	p.known[query] = s
	return s
}

func (p *prepared) forget() error {
	var errs []error
	for _, s := range p.known {
		errs = append(errs, s.Close())
	}
	clear(p.known)
	return errors.Join(errs...)
}

func (p *prepared) close() error { return errors.Join(p.forget(), p.conn.Close()) }

// ExecContext runs a statement.
func (p *prepared) ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error) {
	if s := p.statement(query); s != nil { //nolint:sqlclosecheck // kept for the next time, closed by forget
		return s.ExecContext(ctx, args...)
	}
	return p.conn.ExecContext(ctx, query, args...)
}

// QueryContext runs a query.
func (p *prepared) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	if s := p.statement(query); s != nil { //nolint:sqlclosecheck // kept for the next time, closed by forget
		return s.QueryContext(ctx, args...)
	}
	return p.conn.QueryContext(ctx, query, args...)
}
