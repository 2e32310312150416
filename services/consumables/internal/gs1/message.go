package gs1

import (
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// separator is what a scanner sends for FNC1 between elements: GS, ASCII 29.
const separator = "\x1d"

// Message is what one or more bar codes on one thing say.
type Message struct{ Elements []Element }

// symbologies are the identifiers of symbols that carry GS1 element strings (General Specifications 5.1.3, ISO/IEC 15424).
var symbologies = []string{"]d2", "]Q3", "]C1", "]e0", "]J1"}

// Symbology takes the symbology identifier off what a scanner sent, and says whether it announces a GS1 element string.
// Without an identifier both are empty and false.
func Symbology(scan string) (identifier, data string, isGS1 bool) {
	if len(scan) < 3 || scan[0] != ']' {
		return "", scan, false
	}
	return scan[:3], scan[3:], slices.Contains(symbologies, scan[:3])
}

// Parse reads an element string as a scanner sends it, with or without the symbology identifier in front. Reasons:
// GS1_EMPTY, GS1_IDENTIFIER_UNKNOWN, GS1_LENGTH_WRONG, GS1_CHARACTER_WRONG, GS1_CHECK_DIGIT_WRONG, GS1_DATE_INVALID,
// GS1_REPEATED.
func Parse(scan string) (Message, error) {
	_, data, _ := Symbology(scan)
	data = strings.TrimPrefix(data, separator) // some scanners send the FNC1 in front as well
	var m Message
	for data != "" {
		row, err := lookUp(data)
		if err != nil {
			return Message{}, err
		}
		var value string
		if value, data, err = row.take(data[len(row.ai):]); err != nil {
			return Message{}, err
		}
		if err := m.add(row, value); err != nil {
			return Message{}, err
		}
		data = strings.TrimPrefix(data, separator) // stray behind a fixed length: ignored, as readers of GS1 symbols do
	}
	return m.whole()
}

// take splits the value off. A fixed length is taken as it is; a variable one ends at the separator or with the data.
func (row identifier) take(data string) (value, rest string, err error) {
	if !row.fixed {
		value, rest, _ = strings.Cut(data, separator)
		return value, rest, nil
	}
	_, n := row.length()
	if value, _, _ = strings.Cut(data[:min(n, len(data))], separator); len(value) < n {
		return "", "", row.wrongLength(value)
	}
	return value, data[n:], nil
}

// add proves a value and appends it. The same element twice is one; the same identifier with two values is refused.
func (m *Message) add(row identifier, value string) error {
	if err := row.check(value); err != nil {
		return err
	}
	for _, e := range m.Elements {
		if e.AI == row.ai {
			if e.Value != value {
				return fault.Invalid("code", "GS1_REPEATED", "(%s) is there twice, as %s and as %s. Scan one thing at a time.", row.ai, e.Value, value)
			}
			return nil
		}
	}
	m.Elements = append(m.Elements, Element{AI: row.ai, Value: value})
	return nil
}

func (m Message) whole() (Message, error) {
	if len(m.Elements) == 0 {
		return m, fault.Invalid("code", "GS1_EMPTY", "The code holds no GS1 elements. Scan again.")
	}
	return m, nil
}

// ParseText reads elements with their identifiers in brackets, as printed below a symbol, also with spaces between them as people type it; \( is a
// bracket of a value.
// Reasons as for Parse, and GS1_TEXT_INVALID.
func ParseText(text string) (Message, error) {
	var m Message
	rest := text
	for rest != "" {
		opened, found := strings.CutPrefix(rest, "(")
		ai, behind, closed := strings.Cut(opened, ")")
		if !found || !closed {
			return Message{}, fault.Invalid("code", "GS1_TEXT_INVALID", "%.60q is not a list of (identifier)value. Give it as printed below the symbol.", text)
		}
		row, err := lookUp(ai)
		if err != nil || row.ai != ai {
			return Message{}, fault.Invalid("code", "GS1_IDENTIFIER_UNKNOWN", "(%.8s) is no GS1 application identifier. Compare with the label.", ai)
		}
		value := behind
		if next := nextBracket(behind); next >= 0 {
			value, rest = behind[:next], behind[next:]
		} else {
			rest = ""
		}
		if err := m.add(row, strings.ReplaceAll(strings.TrimSpace(value), `\(`, "(")); err != nil {
			return Message{}, err
		}
	}
	return m.whole()
}

// nextBracket is where the next identifier begins.
func nextBracket(s string) int {
	for i := range len(s) {
		if s[i] == '(' && (i == 0 || s[i-1] != '\\') {
			return i
		}
	}
	return -1
}

// Join puts together what several symbols on one thing say. Reason: GS1_REPEATED.
func Join(messages ...Message) (Message, error) {
	var all Message
	for _, m := range messages {
		for _, e := range m.Elements {
			if err := all.add(byAI[e.AI], e.Value); err != nil {
				return Message{}, err
			}
		}
	}
	return all.whole()
}

// Check proves that identifiers which need or exclude each other do and don't go together. Reasons: GS1_INCOMPLETE,
// GS1_CONTRADICTORY.
func (m Message) Check() error {
	for _, e := range m.Elements {
		row := byAI[e.AI]
		if len(row.needs) > 0 && !slices.ContainsFunc(row.needs, m.hasAll) {
			return fault.Invalid("code", "GS1_INCOMPLETE", "(%s) %s needs %s beside it. Scan the other code on the thing as well.", row.ai, row.title, alternatives(row.needs))
		}
		for _, pattern := range row.excludes {
			for _, other := range m.Elements {
				if other.AI != e.AI && matches(other.AI, pattern) {
					return fault.Invalid("code", "GS1_CONTRADICTORY", "(%s) %s and (%s) %s exclude each other. Scan one thing at a time.", row.ai, row.title, other.AI, other.Title())
				}
			}
		}
	}
	return nil
}

func (m Message) hasAll(patterns []string) bool {
	for _, pattern := range patterns {
		if !slices.ContainsFunc(m.Elements, func(e Element) bool { return matches(e.AI, pattern) }) {
			return false
		}
	}
	return true
}

func alternatives(groups [][]string) string {
	var words []string
	for _, g := range groups {
		words = append(words, "("+strings.Join(g, ") with (")+")")
	}
	return strings.Join(words, " or ")
}

// Scan is the element string as a scanner sends it, without symbology identifier: separators only where they are needed.
func (m Message) Scan() string {
	var b strings.Builder
	for i, e := range m.Elements {
		b.WriteString(e.AI + e.Value)
		if i < len(m.Elements)-1 && !byAI[e.AI].fixed {
			b.WriteString(separator)
		}
	}
	return b.String()
}

// Text is the message with identifiers in brackets, to be printed below a symbol.
func (m Message) Text() string {
	var b strings.Builder
	for _, e := range m.Elements {
		b.WriteString("(" + e.AI + ")" + strings.ReplaceAll(e.Value, "(", `\(`))
	}
	return b.String()
}

// Value is the value of an identifier; empty when it is not there.
func (m Message) Value(ai string) string {
	for _, e := range m.Elements {
		if e.AI == ai {
			return e.Value
		}
	}
	return ""
}
