package listing

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// What a filter may have at most, so that nobody makes the database work for ever.
const (
	maxFilter      = 4000 // characters
	maxDepth       = 20   // parentheses within parentheses
	maxComparisons = 50
	maxLetters     = 60 // different ones beyond ASCII in a text that is looked for
)

// node is a part of a filter.
type node interface {
	sql(b *builder) string
}

type (
	junction struct {
		operator string // AND or OR
		parts    []node
	}
	negation struct{ part node }
	// comparison compares a field with a value of its kind.
	comparison struct {
		field    Field
		operator string
		value    any
	}
)

func (j junction) sql(b *builder) string {
	parts := make([]string, len(j.parts))
	for i, p := range j.parts {
		parts[i] = p.sql(b)
	}
	return "(" + strings.Join(parts, " "+j.operator+" ") + ")"
}

func (n negation) sql(b *builder) string { return "(NOT " + n.part.sql(b) + ")" }

func (c comparison) sql(b *builder) string {
	switch {
	case c.operator == present && c.field.Kind.text():
		return "(" + c.field.Column + " <> '')"
	case c.operator == present:
		return "(" + c.field.Column + " <> 0)"
	case c.operator == ":" && c.field.Kind == Text:
		text, _ := c.value.(string)
		text = strings.ToLower(text)
		return "(" + b.lower(c.field.Column, text) + " LIKE " + b.arg("%"+escapeLike.Replace(text)+"%") + ` ESCAPE '\')`
	case c.operator == ":":
		return "(" + c.field.Column + " = " + b.arg(c.value) + ")"
	case c.operator == "=" || c.operator == "!=":
		return "(" + c.field.Column + " " + c.operator + " " + b.arg(c.value) + ")"
	default:
		return "(" + b.ordered(c.field.Column, c.field.Kind.text()) + " " + c.operator + " " + b.arg(c.value) + ")"
	}
}

// present is the operator of "field:*".
const present = ":*"

var escapeLike = strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)

// parser reads a filter from left to right.
type parser struct {
	tokens      []token
	next        int
	fields      Fields
	depth       int
	comparisons int
}

func parseFilter(text string, fields Fields) (node, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil //nolint:nilnil // no filter is a nil node
	}
	if len(text) > maxFilter {
		return nil, refuse(0, "The filter has %d characters. Use at most %d.", len(text), maxFilter)
	}
	if before, _, found := strings.Cut(text, "\x00"); found {
		return nil, refuse(len([]rune(before)), "The filter has a NUL character. Leave it out.")
	}
	tokens, err := lex(text)
	if err != nil {
		return nil, err
	}
	p := &parser{tokens: tokens, fields: fields}
	n, err := p.expression()
	if err == nil && p.peek().kind != end {
		err = refuse(p.peek().position, "%q stands where AND, OR or the end was expected. Put AND or OR between comparisons.", p.peek().text)
	}
	return n, err
}

// refuse names the place in the filter, counted in characters from 1.
func refuse(position int, format string, args ...any) error {
	return fault.Invalid("filter", "FILTER_INVALID", format, args...).With("position", strconv.Itoa(position+1))
}

func (p *parser) peek() token { return p.tokens[p.next] }

func (p *parser) take() token {
	t := p.tokens[p.next]
	if t.kind != end {
		p.next++
	}
	return t
}

// keyword takes the word if it stands here.
func (p *parser) keyword(word string) bool {
	if t := p.peek(); t.kind == bare && t.text == word {
		p.next++
		return true
	}
	return false
}

// expression is factors joined by AND.
func (p *parser) expression() (node, error) { return p.joined("AND", p.factor) }

// factor is terms joined by OR, which binds tighter than AND.
func (p *parser) factor() (node, error) { return p.joined("OR", p.term) }

func (p *parser) joined(word string, part func() (node, error)) (node, error) {
	first, err := part()
	if err != nil {
		return nil, err
	}
	parts := []node{first}
	for p.keyword(word) {
		another, err := part()
		if err != nil {
			return nil, err
		}
		parts = append(parts, another)
	}
	if len(parts) == 1 {
		return first, nil
	}
	return junction{operator: word, parts: parts}, nil
}

// term is a comparison, a filter in parentheses, or the opposite of one.
func (p *parser) term() (node, error) {
	if p.keyword("NOT") {
		part, err := p.term()
		return negation{part}, err
	}
	if p.peek().kind != open {
		return p.comparison()
	}
	at := p.take().position
	p.depth++
	if p.depth > maxDepth {
		return nil, refuse(at, "Parentheses are nested more than %d deep. Write the filter flatter.", maxDepth)
	}
	inner, err := p.expression()
	if err != nil {
		return nil, err
	}
	p.depth--
	if p.take().kind != closing {
		return nil, refuse(at, "This parenthesis is not closed. Close it.")
	}
	return inner, nil
}

func (p *parser) comparison() (node, error) {
	name := p.take()
	field, known := p.fields.named(name.text)
	if name.kind == end {
		return nil, refuse(name.position, "The filter ends where a comparison was expected. Write one there, or take the last word away.")
	}
	if len(p.fields) == 0 {
		return nil, refuse(name.position, "This list can't be filtered. Leave the filter out.")
	}
	if name.kind != bare || !known {
		return nil, refuse(name.position, "%q is no field to filter by. Fields here are %s.", name.text, p.fields.names())
	}
	operator := p.take()
	if operator.kind != compare {
		return nil, refuse(operator.position, "%q stands where one of = != < <= > >= : was expected after %s. Write one of them there.", operator.text, name.text)
	}
	value := p.take()
	if value.kind != bare && value.kind != quoted {
		return nil, refuse(value.position, "%s %s has no value. Write it behind the operator, in quotes if it has spaces.",
			name.text, operator.text)
	}
	p.comparisons++
	if p.comparisons > maxComparisons {
		return nil, refuse(name.position, "The filter has more than %d comparisons. Ask in parts.", maxComparisons)
	}
	if operator.text == ":" && value.kind == bare && value.text == "*" {
		return comparison{field: field, operator: present}, nil
	}
	if strings.ContainsAny(operator.text, "<>") && (field.Kind == Enum || field.Kind == Bool) {
		return nil, refuse(operator.position, "%s has no order. Compare it with = or !=.", name.text)
	}
	if value.star && field.Kind == Text && operator.text != ":" {
		return nil, refuse(value.position, `%s compares the whole text, and * stands for nothing in it. Write %s:%q for texts that have this in them, or \* in quotes for the character.`,
			operator.text, name.text, strings.Trim(value.text, "*"))
	}
	v, err := field.read(name.text, value)
	if text, _ := v.(string); operator.text == ":" && len(letters(strings.ToLower(text))) > maxLetters {
		return nil, refuse(value.position, "The text has more than %d different letters beyond those of ASCII. Look for a part of it.", maxLetters)
	}
	return comparison{field: field, operator: operator.text, value: v}, err
}

// read turns a value as written into what the column holds.
func (f Field) read(name string, value token) (any, error) {
	text := value.text
	wrong := func(want string) error {
		return refuse(value.position, "%q is no value for %s, which takes %s. Write such a value.", text, name, want)
	}
	switch f.Kind {
	case Int:
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return nil, wrong("a whole number")
		}
		return n, nil
	case Bool:
		if text != "true" && text != "false" {
			return nil, wrong("true or false")
		}
		return map[string]int64{"true": 1}[text], nil
	case Time:
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return nil, wrong("a time such as 2026-03-01T08:00:00Z, in quotes")
		}
		return storage.Micros(t), nil
	case Date:
		if _, err := time.Parse(time.DateOnly, text); err != nil {
			return nil, wrong("a date such as 2026-03-01")
		}
		return text, nil
	case Enum:
		if !slices.Contains(f.Values, text) {
			return nil, wrong("one of " + strings.Join(f.Values, ", "))
		}
		return text, nil
	case Text:
		return text, nil
	default:
		return nil, wrong("nothing")
	}
}
