package fault

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// values are those that fill a format, each as it stands in the sentence, a quoted one without its quotes. Formats that take
// their width from a value, or name values by number, are not used for refusals.
func values(format string, args []any) []string {
	var out []string
	for len(out) < len(args) {
		at := strings.IndexByte(format, '%')
		if at < 0 {
			break
		}
		verb := at + 1 + strings.IndexFunc(format[at+1:], func(r rune) bool { return r == '%' || unicode.IsLetter(r) })
		if verb == at {
			break // the format ends in the middle of a place
		}
		if place := format[at : verb+1]; place[len(place)-1] == 'q' {
			out = append(out, fmt.Sprint(args[len(out)]))
		} else if place[len(place)-1] != '%' {
			out = append(out, fmt.Sprintf(place, args[len(out)]))
		}
		format = format[verb+1:]
	}
	return out
}

// named is what a sentence names, in case it was made elsewhere: a resource, what stands in quotes, a day, a time or a number.
var named = regexp.MustCompile(`\b[a-z][a-zA-Z]*/[-\pL\pN_./]*[\pL\pN]|"(?:[^"\\]|\\.)*"|\b[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9:.]+Z?)?|\b[0-9]+(?:[-.:][0-9]+)*`)

// Facts are the metadata, and under said_1, said_2 … whatever name or number else the sentence has, so that a program reads every
// value of a refusal without reading prose.
func (e *Error) Facts() map[string]string {
	facts := maps.Clone(e.Metadata)
	if facts == nil {
		facts = map[string]string{}
	}
	known, count := slices.Collect(maps.Values(facts)), 0
	add := func(value string) {
		count++
		facts["said_"+strconv.Itoa(count)] = value
		known = append(known, value)
	}
	for _, value := range e.said {
		if strings.TrimSpace(value) != "" && value != e.Message && !slices.Contains(known, value) {
			add(value)
		}
	}
	for _, value := range named.FindAllString(e.Message, -1) {
		if plain, err := strconv.Unquote(value); err == nil {
			value = plain
		}
		if value != "" && !slices.ContainsFunc(known, func(k string) bool { return strings.Contains(k, value) }) {
			add(value)
		}
	}
	return facts
}
