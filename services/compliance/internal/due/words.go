package due

import (
	"fmt"
	"strings"
)

// Explain is one line of arithmetic: each limit, which of them counts, and what it comes to.
func (r Result) Explain() string {
	if why := r.Untold(); why != "" {
		return why + ", so nothing can be told."
	}
	lines := make([]string, len(r.Left))
	for i, l := range r.Left {
		if lines[i] = l.Line(); len(r.Left) > 1 {
			lines[i] = fmt.Sprintf("(%d) %s", i+1, lines[i]) // what counts is said of these numbers
		}
	}
	text := strings.Join(lines, "; ") + "."
	if len(r.Left) > 1 {
		text += " What counts is " + r.tree.words(new(int)) + "."
	}
	text += " Driven by " + r.Left[r.Driving].Limit.Unit.Driver() + ": " + r.outcome() + "."
	if r.Band == Near {
		text += fmt.Sprintf(" Near is %d days, %s or %d cycles or starts left.", r.near.Days, amount(Hours, r.near.Seconds), r.near.Cycles)
	}
	return text
}

// Untold is why nothing can be told; empty when something can.
func (r Result) Untold() string {
	switch {
	case r.Driving >= 0:
		return ""
	case r.unsaid:
		return "A limit of the requirement does not say what it counts"
	default:
		return "The requirement has no limit"
	}
}

// outcome is what it comes to: the day, and how much is over when it is past.
func (r Result) outcome() string {
	d := r.Left[r.Driving]
	var words []string
	if !r.Date.IsZero() {
		words = append(words, "due "+r.Date.String())
	}
	over := span(d.Limit.Unit, -d.Left)
	switch r.Band {
	case Overdue:
		words = append(words, "overdue by "+over)
	case InTolerance:
		words = append(words, "over by "+over+", within the extension")
	case Attention:
		words = append(words, "over by "+over+", for the next shop visit")
	case Due:
		words = append(words, "reached")
	case Current, Near, Exempt, NoData:
		if r.Date.IsZero() {
			words = append(words, "no date")
		}
	}
	return strings.Join(words, ", ")
}

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
