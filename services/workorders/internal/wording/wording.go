// Package wording fills the patterns that signatures are worded by. A pattern is text with names in braces; a name that nobody
// fills is refused when the pattern is entered, never found out when somebody signs.
package wording

import (
	"regexp"
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// Names are what a pattern may name.
var Names = []string{"number", "title", "engine", "card", "revision", "date", "counters", "not_done", "deferred", "inspected_by", "discrepancies", "list_date"}

var slot = regexp.MustCompile(`\{[^{}]*\}|[{}]`)

// Check refuses a pattern that names what nobody fills, or that lacks a name it must have. Reasons: PATTERN_UNKNOWN,
// PATTERN_INCOMPLETE.
func Check(field, pattern string, must ...string) error {
	var named []string
	for _, found := range slot.FindAllString(pattern, -1) {
		name := strings.Trim(found, "{}")
		if len(found) < 3 || !slices.Contains(Names, name) {
			return fault.Invalid(field, "PATTERN_UNKNOWN", "The pattern names %q, which nobody fills. Use {%s}.", found, strings.Join(Names, "}, {"))
		}
		named = append(named, name)
	}
	for _, name := range must {
		if !slices.Contains(named, name) {
			return fault.Invalid(field, "PATTERN_INCOMPLETE", "The pattern does not say {%s}, which a release states. Add it.", name)
		}
	}
	return nil
}

// Fill puts values into a pattern, once: a value that looks like a name stays as it is.
func Fill(pattern string, values map[string]string) string {
	return slot.ReplaceAllStringFunc(pattern, func(found string) string {
		if value, ok := values[strings.Trim(found, "{}")]; ok {
			return value
		}
		return found
	})
}
