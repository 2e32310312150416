package storage

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

// most is for how many one statement does something on SQLite at once: with more the texts take longer to run than they save.
const most = 16

// shared is the transaction of a group on SQLite, inside the writer's. What is written in one place for many, and what many ask, goes there in
// few statements; an UPDATE costs no less for being one of many.
type shared struct {
	on      *direct
	kept    []forMany
	culprit *member
}

func (s *shared) keepFor(m forMany) { s.kept = append(s.kept, m) }

func (s *shared) finish(ctx context.Context) error { return s.flush(ctx) }

func (s *shared) failer() *member { return s.culprit }

func (s *shared) flush(ctx context.Context) error {
	kept := s.kept
	s.kept = nil
	for _, m := range kept {
		if err := s.do(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

func (s *shared) do(ctx context.Context, m forMany) error {
	if len(m.statements) > 1 {
		if m.statements[0].found != nil {
			return s.ask(ctx, m)
		}
		if row, ok := rowOf(m.statements[0].query); ok {
			return s.insert(ctx, m, row)
		}
	}
	for _, one := range m.statements {
		if err := s.one(ctx, one); err != nil {
			s.culprit = one.of
			return err
		}
	}
	return nil
}

// one does what one member wants; what panics over its outcome fails it.
func (s *shared) one(ctx context.Context, one *statementOf) (err error) {
	defer func() { err = recovered(recover(), "in a transaction", err) }()
	if one.read != nil {
		return s.on.ask(ctx, one.read, one.query, one.args)
	}
	return s.on.queue(ctx, one.check, one.query, one.args)
}

// ask asks what many ask.
func (s *shared) ask(ctx context.Context, m forMany) error {
	for first, n := 0, 0; first < len(m.statements); first += n {
		n = portion(len(m.statements) - first)
		args := make([]any, 0, n*len(m.statements[first].args))
		for _, one := range m.statements[first : first+n] {
			args = append(args, one.args...)
		}
		part := forMany{m.statements[first : first+n]}
		text := portions.of(portionOf{m.statements[0].query, n}, func() string { return selectedFor(m.statements[0], n) })
		if err := s.on.ask(ctx, func(rows Rows) error { return part.dealt(rows, 0) }, text, args); err != nil {
			return err
		}
	}
	return nil
}

// insert adds the rows of many.
func (s *shared) insert(ctx context.Context, m forMany, row insertion) (err error) {
	args := make([]any, 0, len(m.statements)*len(m.statements[0].args))
	for _, one := range m.statements {
		args = append(args, one.args...)
	}
	var added int64
	for n := 0; len(args) > 0 && err == nil; args = args[n*row.columns:] {
		n = portion(len(args) / row.columns)
		text := portions.of(portionOf{m.statements[0].query, n}, func() string {
			return row.head + "VALUES " + strings.Repeat(", ("+strings.Repeat(", ?", row.columns)[2:]+")", n)[2:] + row.tail
		})
		var changed int64
		changed, err = s.on.exec(ctx, text, args[:n*row.columns])
		added += changed
	}
	return m.judged(&s.culprit, m.rows(row.columns), added, err)
}

// portion is how many of so many go into one statement: powers of two, so that there are few texts.
func portion(left int) int {
	n := most
	for n > left {
		n /= 2
	}
	return n
}

// selectedFor is a query for so many on SQLite, with the place of each first; the rows of one keep their order.
func selectedFor(s *statementOf, n int) string {
	var values strings.Builder
	for i := range n {
		fmt.Fprintf(&values, ", (%d%s)", i, strings.Repeat(", ?", len(s.args)))
	}
	columns, rest, _ := strings.Cut(strings.TrimPrefix(s.query, "SELECT "), " FROM ")
	rest = mark.ReplaceAllStringFunc(rest, func(m string) string {
		i, _ := strconv.Atoi(m[1:])
		return fmt.Sprintf("v.column%d", i+1) // the place is the first
	})
	return "SELECT v.column1, " + columns + " FROM (VALUES " + values.String()[2:] + ") AS v CROSS JOIN " + rest
}

// portionOf is a statement for so many.
type portionOf struct {
	query string
	n     int
}

// texts are the words of statements for many.
type texts struct{ known sync.Map }

var portions texts

func (t *texts) of(p portionOf, made func() string) string {
	if text, ok := t.known.Load(p); ok {
		return text.(string) //nolint:forcetypeassert,errcheck // stored below
	}
	text := made()
	t.known.Store(p, text)
	return text
}
