package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
)

// maxPrepared is how many statements the writer keeps ready; services have fewer, but lists of names make texts of many lengths.
const maxPrepared = 512

// prepared runs statements on one connection and parses each text once: of a short statement on SQLite the parsing is the
// greater part. It speaks to the driver directly, because the locks, retries and conversions of database/sql cost as much again as a
// short statement, and one writer needs none of them.
type prepared struct {
	conn  driver.ConnPrepareContext
	known map[string]statement
	args  []driver.NamedValue // those of the statement that runs; the driver copies them
}

// statement is what the driver makes of a text.
type statement interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// newPrepared takes a connection over until close; what it was taken from must stay open as long.
func newPrepared(conn *sql.Conn) (*prepared, error) {
	p := &prepared{known: map[string]statement{}}
	err := conn.Raw(func(raw any) error {
		c, ok := raw.(driver.ConnPrepareContext)
		if !ok {
			return fmt.Errorf("%T prepares no statements", raw)
		}
		p.conn = c
		return nil
	})
	return p, err
}

// statement is the parsed form of a text.
func (p *prepared) statement(ctx context.Context, query string) (statement, error) {
	if s, ok := p.known[query]; ok {
		return s, nil
	}
	if len(p.known) >= maxPrepared {
		_ = p.forget()
	}
	made, err := p.conn.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	s, ok := made.(statement)
	if !ok {
		return nil, errors.Join(fmt.Errorf("%T can't be run", made), made.Close())
	}
	p.known[query] = s
	return s, nil
}

// forget closes every statement.
func (p *prepared) forget() error {
	var errs []error
	for _, s := range p.known {
		errs = append(errs, s.Close())
	}
	clear(p.known)
	return errors.Join(errs...)
}

// exec runs a statement and returns how many rows it changed.
func (p *prepared) exec(ctx context.Context, query string, args ...any) (int64, error) {
	s, err := p.statement(ctx, query)
	if err != nil {
		return 0, err
	}
	values, err := p.named(args)
	if err != nil {
		return 0, err
	}
	result, err := s.ExecContext(ctx, values)
	if err != nil {
		return 0, err
	}
	return result.RowsAffected()
}

// query runs a query.
func (p *prepared) query(ctx context.Context, query string, args ...any) (Rows, error) {
	s, err := p.statement(ctx, query)
	if err != nil {
		return nil, err
	}
	values, err := p.named(args)
	if err != nil {
		return nil, err
	}
	rows, err := s.QueryContext(ctx, values)
	if err != nil {
		return nil, err
	}
	return &driverRows{rows: rows, row: make([]driver.Value, len(rows.Columns()))}, nil
}

// named are arguments as the driver takes them, until the next ones are made.
func (p *prepared) named(args []any) ([]driver.NamedValue, error) {
	p.args = p.args[:0]
	for i, arg := range args {
		switch arg.(type) {
		case string, int64, []byte:
		default:
			var err error
			if arg, err = driver.DefaultParameterConverter.ConvertValue(arg); err != nil {
				return nil, fmt.Errorf("argument %d: %w", i+1, err)
			}
		}
		p.args = append(p.args, driver.NamedValue{Ordinal: i + 1, Value: arg})
	}
	return p.args, nil
}

// driverRows are rows as the driver gives them.
type driverRows struct {
	rows driver.Rows
	row  []driver.Value
	err  error
	over bool
}

// Next reads a row, if there is one more.
func (r *driverRows) Next() bool {
	if r.over {
		return false
	}
	if err := r.rows.Next(r.row); err != nil {
		if !errors.Is(err, io.EOF) {
			r.err = err
		}
		r.err = errors.Join(r.err, r.Close())
		return false
	}
	return true
}

// Err is why reading ended early.
func (r *driverRows) Err() error { return r.err }

// Close ends the query.
func (r *driverRows) Close() error {
	if r.over {
		return nil
	}
	r.over = true
	return r.rows.Close()
}

// Scan copies the row.
func (r *driverRows) Scan(dest ...any) error { return assignAll(dest, r.row) }

func assignAll(dest []any, row []driver.Value) error {
	if len(dest) != len(row) {
		return fmt.Errorf("%d columns can't be read into %d places", len(row), len(dest))
	}
	for i, d := range dest {
		if err := assign(d, row[i]); err != nil {
			return fmt.Errorf("column %d: %w", i+1, err)
		}
	}
	return nil
}

// assign copies a value of the driver's, the common ones without a detour. What the driver hands out is the caller's to keep.
func assign(dest any, v driver.Value) error {
	switch d := dest.(type) {
	case *string:
		if s, ok := v.(string); ok {
			*d = s
			return nil
		}
		return assignTo(d, v)
	case *int64:
		if n, ok := v.(int64); ok {
			*d = n
			return nil
		}
		return assignTo(d, v)
	case *[]byte:
		if b, ok := v.([]byte); ok {
			*d = b
			return nil
		}
		return assignTo(d, v)
	case *int:
		return assignTo(d, v)
	case *bool:
		return assignTo(d, v)
	case *float64:
		return assignTo(d, v)
	case sql.Scanner:
		return d.Scan(v)
	default:
		return fmt.Errorf("a %T can't be read; read a string, an int64, a []byte, an int, a bool or a float64", dest)
	}
}

// assignTo copies a value by the rules of database/sql.
func assignTo[T any](dest *T, v driver.Value) error {
	if v == nil {
		if b, ok := any(dest).(*[]byte); ok {
			*b = nil
			return nil
		}
		return fmt.Errorf("it is empty and can't be read as %T", *dest)
	}
	var n sql.Null[T]
	if err := n.Scan(v); err != nil {
		return err
	}
	*dest = n.V
	return nil
}
