package storage

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// errMixed ends a group of which a statement for many did not do what each wanted; whose fault it was, nobody can tell.
var errMixed = errors.New("a statement for many members of a group did not do what each wanted")

// forMany is a statement that does for many members of a crowd what each asks in the same words.
type forMany struct {
	statements []*statementOf
}

// gatherAlike puts statements together that have the same words and may be done together, of so many members; all else stays as it is, in
// its order.
func gatherAlike(statements []*statementOf, members int) (out []forMany) {
	at := map[string]int{}
	for _, s := range statements {
		i, seen := at[s.query]
		if s.each && seen {
			out[i].statements = append(out[i].statements, s)
			continue
		}
		one := forMany{make([]*statementOf, 0, 1)}
		if s.each {
			at[s.query] = len(out)
			one.statements = make([]*statementOf, 0, members)
		}
		one.statements = append(one.statements, s)
		out = append(out, one)
	}
	return out
}

// keepFor keeps a statement that does what many ask.
func (p *pipeline) keepFor(m forMany) {
	first := m.statements[0]
	if len(m.statements) == 1 {
		p.keep(first.outcome, first.query, first.args)
		return
	}
	s := shapeOf(first.query, first.args)
	columns, rows := make([]any, s.columns), m.rows(s.columns)
	for _, one := range m.statements {
		for j, arg := range one.args {
			columns[j%s.columns] = with(columns[j%s.columns], arg)
		}
	}
	if first.found != nil {
		p.keep(outcome{read: func(rows Rows) error { return m.dealt(rows, 1) }}, s.text, columns)
		return
	}
	p.keep(outcome{check: func(changed int64, err error) error { return m.judged(&p.culprit, rows, changed, err) }}, s.text, columns)
}

func (p *pipeline) finish(ctx context.Context) error { return p.commit(ctx) }

func (p *pipeline) failer() *member { return p.culprit }

// rows are how many rows each statement names.
func (m forMany) rows(columns int) []int64 {
	rows := make([]int64, len(m.statements))
	for i, s := range m.statements {
		rows[i] = int64(len(s.args) / columns)
	}
	return rows
}

// judged says of a statement for many what came of it: for each that its rows were changed, or of all that something was not. Where one of
// them is to blame, whose is set.
func (m forMany) judged(whose **member, rows []int64, changed int64, err error) error {
	for _, n := range rows {
		changed -= n
	}
	switch {
	case err != nil:
		return errors.Join(errMixed, err)
	case changed != 0:
		return errMixed
	}
	for i, s := range m.statements {
		if err := judged(s.check, rows[i], nil); err != nil {
			*whose = s.of
			return err
		}
	}
	return nil
}

// with adds a value to a column of such values.
func with(column, value any) any {
	switch v := value.(type) {
	case string:
		return add(column, v)
	case int64:
		return add(column, v)
	case []byte:
		return add(column, v)
	default:
		panic(fmt.Sprintf("storage: a %T has no column; use a string, an int64 or a []byte", value))
	}
}

func add[T any](column any, value T) any {
	values, _ := column.([]T)
	return append(values, value)
}

// shape is how a statement is written for many, with a column of values for each of its own.
type shape struct {
	text    string
	columns int
}

var shapes sync.Map // a statement's words to its shape

var mark = regexp.MustCompile(`\$([0-9]+)`)

// shapeOf writes "INSERT INTO t (…) VALUES ($1, …)[, (…)] …", "UPDATE t SET … WHERE …" and "SELECT … FROM … WHERE …" for many; the marks of
// an INSERT stand in their order.
func shapeOf(query string, args []any) shape {
	if s, ok := shapes.Load(query); ok {
		return s.(shape) //nolint:forcetypeassert,errcheck // stored below
	}
	var s shape
	if strings.HasPrefix(query, "SELECT ") {
		s = shape{beside(query, args), len(args)}
	} else if row, ok := rowOf(query); ok {
		s.columns = row.columns
		first := args[:s.columns]
		s.text = row.head + "SELECT " + listed(s.columns) + " FROM " + unnested(first) + " AS v(" + listed(s.columns) + ")" + row.tail
	} else {
		set, where, _ := strings.Cut(query, " WHERE ")
		s.columns = len(args)
		s.text = mark.ReplaceAllString(set, "v.c$1") + " FROM " + unnested(args) + " AS v(" + listed(len(args)) + ") WHERE " +
			mark.ReplaceAllString(where, "v.c$1")
	}
	shapes.Store(query, s)
	return s
}

// listed are the names of so many columns.
func listed(columns int) string {
	names := make([]string, columns)
	for i := range names {
		names[i] = fmt.Sprintf("c%d", i+1)
	}
	return strings.Join(names, ", ")
}

// beside asks PostgreSQL a query for each row of values, with the row's place first. OFFSET keeps the planner from turning it round, which it
// does with tables that it has no figures of, and then reads the whole table.
func beside(query string, args []any) string {
	return "SELECT v.n, q.* FROM " + unnested(args) + " WITH ORDINALITY AS v(" + listed(len(args)) + ", n) CROSS JOIN LATERAL (" +
		mark.ReplaceAllString(offset(query), "v.c$1") + ") AS q"
}

func offset(query string) string {
	query, lock, locks := strings.Cut(query, " FOR UPDATE")
	if query += " OFFSET 0"; locks {
		query += " FOR UPDATE" + lock
	}
	return query
}

// insertion is an INSERT of values: what stands before them, how many a row has, and what stands behind.
type insertion struct {
	head    string
	columns int
	tail    string
}

// rowOf takes an INSERT of values apart; false for all else.
func rowOf(query string) (insertion, bool) {
	head, values, ok := strings.Cut(query, "VALUES ")
	if !ok {
		return insertion{}, false
	}
	row, _, _ := strings.Cut(values, ")")
	for strings.HasPrefix(values, "(") {
		_, values, _ = strings.Cut(values, ")")
		values = strings.TrimPrefix(values, ", ")
	}
	return insertion{head: head, columns: strings.Count(row, "$"), tail: values}, true
}

// unnested are columns as PostgreSQL reads them, by the values of a first row.
func unnested(row []any) string {
	columns := slices.Collect(func(yield func(string) bool) {
		for i, value := range row {
			kind := "text"
			switch value.(type) {
			case int64:
				kind = "bigint"
			case []byte:
				kind = "bytea"
			}
			if !yield(fmt.Sprintf("$%d::%s[]", i+1, kind)) {
				return
			}
		}
	})
	return "unnest(" + strings.Join(columns, ", ") + ")"
}
