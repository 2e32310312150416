package due

import (
	"fmt"
	"strings"
)

// words say how the limits are combined, each by its place in the line of arithmetic: "the first of 1 and (the last of 2 and 3)". last is the place
// of the last one that was named.
func (t Tree) words(last *int) string {
	var parts []string
	for range t.Limits {
		*last++
		parts = append(parts, fmt.Sprint(*last))
	}
	for _, sub := range t.Trees {
		parts = append(parts, sub.nested(last))
	}
	if len(parts) == 1 {
		return parts[0]
	}
	kind := "first"
	if t.Later {
		kind = "last"
	}
	return "the " + kind + " of " + strings.Join(parts, " and ")
}

// nested are the words of a tree within another, in parentheses when it combines anything.
func (t Tree) nested(last *int) string {
	words := t.words(last)
	if strings.Contains(words, " of ") {
		return "(" + words + ")"
	}
	return words
}
