package listing

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

func protoName(s string) protoreflect.Name { return protoreflect.Name(s) }

// sortKey is one column of the order.
type sortKey struct {
	column string
	text   bool
	down   bool
}

func (k Kind) text() bool { return k == Text || k == Date || k == Enum }

// parseOrder reads "field, field desc"; the collection's key comes last and makes the order total.
func parseOrder(text string, c Collection) ([]sortKey, error) {
	if strings.TrimSpace(text) == "" {
		text = c.Order
	}
	var keys []sortKey
	for part := range strings.SplitSeq(text, ",") {
		words := strings.Fields(part)
		if len(words) == 0 && len(keys) == 0 && strings.TrimSpace(text) == "" {
			break
		}
		f, known := Field{}, false
		if len(words) > 0 {
			f, known = c.Fields.named(words[0])
		}
		down := len(words) == 2 && words[1] == "desc"
		if !known || len(words) > 2 || len(words) == 2 && !down && words[1] != "asc" {
			return nil, fault.Invalid("order_by", "ORDER_BY_INVALID",
				"%q is no order. Give fields with commas between, each optionally followed by desc; fields here are %s.",
				strings.TrimSpace(part), c.Fields.names())
		}
		keys = append(keys, sortKey{column: f.Column, text: f.Kind.text(), down: down})
	}
	down := len(keys) > 0 && keys[len(keys)-1].down
	return append(keys, sortKey{column: c.Key, text: true, down: down}), nil
}

// named is a field by its name in the contract, use_by_date, or as JSON spells it, useByDate.
func (f Fields) named(name string) (Field, bool) {
	if field, known := f[name]; known {
		return field, true
	}
	for known, field := range f {
		if strings.Contains(known, "_") && camel(known) == name {
			return field, true
		}
	}
	return Field{}, false
}

// camel is a name of the contract as JSON spells it.
func camel(name string) string {
	words := strings.Split(name, "_")
	for i := 1; i < len(words); i++ {
		if words[i] != "" {
			words[i] = strings.ToUpper(words[i][:1]) + words[i][1:]
		}
	}
	return strings.Join(words, "")
}

func (f Fields) names() string {
	names := make([]string, 0, len(f))
	for name := range f {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

// builder collects a statement's conditions and arguments for one engine.
type builder struct {
	engine storage.Engine
	args   []any
}

// arg adds an argument and returns its placeholder.
func (b *builder) arg(v any) string {
	b.args = append(b.args, v)
	return fmt.Sprintf("$%d", len(b.args))
}

// ordered is a column as it is compared and sorted: by bytes, on PostgreSQL too, so that both engines agree.
func (b *builder) ordered(column string, text bool) string {
	if text && b.engine == storage.Postgres {
		return column + ` COLLATE "C"`
	}
	return column
}

// lower is a text column in small letters, as far as a text in small letters that is looked for has them. Neither engine's own
// function knows more than A to Z where text sorts by bytes, so the letters beyond are replaced one by one.
func (b *builder) lower(column, small string) string {
	expression := "LOWER(" + column + ")"
	for _, letter := range letters(small) {
		for other := unicode.SimpleFold(letter); other != letter; other = unicode.SimpleFold(other) {
			expression = "REPLACE(" + expression + ", " + b.arg(string(other)) + ", " + b.arg(string(letter)) + ")"
		}
	}
	return expression
}

// letters are the different letters of a text that are beyond ASCII and have another case, in order.
func letters(text string) []rune {
	found := []rune(strings.Map(func(r rune) rune {
		if r <= unicode.MaxASCII || unicode.SimpleFold(r) == r {
			return -1
		}
		return r
	}, text))
	slices.Sort(found)
	return slices.Compact(found)
}

// sql is the statement of one page and one row more, which tells whether there is another page.
func (q Query) sql(engine storage.Engine, columns, from string) (string, []any) {
	b := &builder{engine: engine, args: slices.Clone(q.collection.ScopeArgs)}
	var conditions []string
	if q.collection.Scope != "" {
		conditions = append(conditions, "("+q.collection.Scope+")")
	}
	if q.filter != nil {
		conditions = append(conditions, q.filter.sql(b))
	}
	if q.after != nil {
		conditions = append(conditions, q.beyond(b))
	}
	var order []string
	var s strings.Builder
	s.WriteString("SELECT " + columns)
	for _, key := range q.order {
		s.WriteString(", " + key.column)
		direction := ""
		if key.down {
			direction = " DESC"
		}
		order = append(order, b.ordered(key.column, key.text)+direction)
	}
	s.WriteString(" FROM " + from)
	if len(conditions) > 0 {
		s.WriteString(" WHERE " + strings.Join(conditions, " AND "))
	}
	s.WriteString(" ORDER BY " + strings.Join(order, ", ") + " LIMIT " + b.arg(int64(q.size)+1))
	return s.String(), b.args
}

// beyond is the condition of standing after the last row of the page before: behind it by the first sort value, or level
// by that and behind by the second, and so on.
func (q Query) beyond(b *builder) string {
	var ways []string
	level := ""
	for i, key := range q.order {
		column := b.ordered(key.column, key.text)
		operator := " > "
		if key.down {
			operator = " < "
		}
		value := b.arg(q.after[i])
		ways = append(ways, "("+level+column+operator+value+")")
		level += key.column + " = " + value + " AND "
	}
	return "(" + strings.Join(ways, " OR ") + ")"
}
