package storage

import (
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
	statements []statementOf
}

// gatherAlike puts statements together that have the same words and may be done together; all else stays as it is, in its order.
func gatherAlike(statements []statementOf) (out []forMany) {
	at := map[string]int{}
	for _, s := range statements {
		i, seen := at[s.query]
		if s.each && seen {
			out[i].statements = append(out[i].statements, s)
			continue
		}
		if s.each {
			at[s.query] = len(out)
		}
		out = append(out, forMany{[]statementOf{s}})
	}
	return out
}

// keepFor keeps a statement that does what many ask.
func (p *pipeline) keepFor(m forMany) {
	if len(m.statements) == 1 {
		s := m.statements[0]
		p.keep(s.outcome, s.query, s.args)
		return
	}
	first := m.statements[0]
	s := shapeOf(first.query, first.args)
	columns, rows := make([]any, s.columns), make([]int64, len(m.statements))
	for i, one := range m.statements {
		rows[i] = int64(len(one.args) / s.columns)
		for j, arg := range one.args {
			columns[j%s.columns] = with(columns[j%s.columns], arg)
		}
	}
	p.keep(outcome{check: func(changed int64, err error) error { return p.judgeAll(m, rows, changed, err) }}, s.text, columns)
}

// judgeAll says of a statement for many what came of it: for each that its rows were changed, or of all that something was not.
func (p *pipeline) judgeAll(m forMany, rows []int64, changed int64, err error) error {
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
			p.culprit = s.of
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

// shapeOf writes "INSERT INTO t (…) VALUES ($1, …)[, (…)] …" and "UPDATE t SET … WHERE …" for many; the marks of an INSERT stand in
// their order.
func shapeOf(query string, args []any) shape {
	if s, ok := shapes.Load(query); ok {
		return s.(shape) //nolint:forcetypeassert,errcheck // stored below
	}
	var s shape
	listed := func(row []any) string {
		names := make([]string, len(row))
		for i := range names {
			names[i] = fmt.Sprintf("c%d", i+1)
		}
		return strings.Join(names, ", ")
	}
	if head, values, ok := strings.Cut(query, "VALUES "); ok {
		row, _, _ := strings.Cut(values, ")")
		s.columns = len(mark.FindAllString(row, -1))
		for strings.HasPrefix(values, "(") {
			_, values, _ = strings.Cut(values, ")")
			values = strings.TrimPrefix(values, ", ")
		}
		first := args[:s.columns]
		s.text = head + "SELECT " + listed(first) + " FROM " + unnested(first) + " AS v(" + listed(first) + ")" + values
	} else {
		set, where, _ := strings.Cut(query, " WHERE ")
		s.columns = len(args)
		s.text = mark.ReplaceAllString(set, "v.c$1") + " FROM " + unnested(args) + " AS v(" + listed(args) + ") WHERE " +
			mark.ReplaceAllString(where, "v.c$1")
	}
	shapes.Store(query, s)
	return s
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
