package storage

import (
	"database/sql/driver"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
)

// found are rows that were read before somebody looks at them.
type found struct {
	Scanner

	rows []Scanner
}

// keepable are rows of which one can be kept after the next was read.
type keepable interface {
	Rows

	place() (int64, error)           // the number in the first column
	keeping(from int) func() Scanner // keeps the row, its columns from one on
}

// take reads all rows of a query.
func (f *found) take(rows Rows) error {
	from, ok := rows.(keepable)
	if !ok {
		return fmt.Errorf("rows of %T can't be kept", rows)
	}
	keep := from.keeping(0)
	for from.Next() {
		f.rows = append(f.rows, keep())
	}
	return from.Err()
}

// dealt gives every member its own rows of a query that was asked for many, whose first column says for which.
func (m forMany) dealt(rows Rows, first int64) error {
	from, ok := rows.(keepable)
	if !ok {
		return fmt.Errorf("rows of %T can't be kept", rows)
	}
	keep := from.keeping(1)
	for from.Next() {
		place, err := from.place()
		if err != nil {
			return err
		}
		own := m.statements[place-first].found
		own.rows = append(own.rows, keep())
	}
	return from.Err()
}

// Next goes on to a row, if there is one more.
func (f *found) Next() bool {
	if len(f.rows) == 0 {
		return false
	}
	f.Scanner, f.rows = f.rows[0], f.rows[1:]
	return true
}

// Err is why reading ended early: these rows are all there.
func (*found) Err() error { return nil }

// Close ends the query.
func (*found) Close() error { return nil }

// pgRow is a row as PostgreSQL sent it.
type pgRow struct {
	types *pgtype.Map
	about []pgconn.FieldDescription
	row   [][]byte
}

// Scan copies the row.
func (r pgRow) Scan(dest ...any) error { return pgx.ScanRow(r.types, r.about, r.row, dest...) }

func (r closable) place() (n int64, err error) {
	err = pgx.ScanRow(r.types, r.FieldDescriptions()[:1], r.RawValues()[:1], &n)
	return n, err
}

func (r closable) keeping(from int) func() Scanner {
	var about []pgconn.FieldDescription
	return func() Scanner {
		if about == nil {
			about = slices.Clone(r.FieldDescriptions()[from:])
		}
		raw := r.RawValues()[from:]
		row := make([][]byte, len(raw))
		for i, v := range raw {
			row[i] = append(v[:0:0], v...)
		}
		return pgRow{r.types, about, row}
	}
}

// valuesRow is a row as SQLite's driver gave it.
type valuesRow []driver.Value

// Scan copies the row.
func (r valuesRow) Scan(dest ...any) error { return assignAll(dest, r) }

func (r *driverRows) place() (int64, error) {
	n, ok := r.row[0].(int64)
	if !ok {
		return 0, fmt.Errorf("the place of a row is a %T", r.row[0])
	}
	return n, nil
}

func (r *driverRows) keeping(from int) func() Scanner {
	return func() Scanner { return valuesRow(slices.Clone(r.row[from:])) }
}
