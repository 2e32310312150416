// Package apply decides whether a requirement applies to an engine, a component or an aircraft: yes, no, or can't be told, always with the reason.
//
// Ranges of serial numbers include both ends. What can't be told is UNKNOWN and never counts as "does not apply".
package apply

import (
	"fmt"
	"slices"
	"strings"
)

// Answer is three-valued; the zero value is Unknown, so that forgetting to decide is safe.
type Answer int

// The answers.
const (
	Unknown Answer = iota
	Yes
	No
)

// Range is a range of serial numbers, both ends included.
type Range struct {
	First, Last string
	Excluded    bool
}

// Rule says to what a requirement applies; all conditions must hold, and an empty one does not limit.
type Rule struct {
	Models, Engines, Aircraft   []string
	PartNumbers, AircraftModels []string
	Serials                     []Range
	EmbodiedAny, EmbodiedNone   []string
}

// Item is what the rule is held against. Name and model are those of the engine that a component is in.
type Item struct {
	Name, Model, Serial, Aircraft string
	PartNumber, AircraftModel     string
	Embodied                      []string
	Loose                         bool // a component in no engine, so that conditions on the engine can't be told
}

// Decide answers with the reason. A nil rule was not decided yet. A sure No wins over what can't be told.
func Decide(rule *Rule, e Item) (Answer, string) {
	if rule == nil {
		return Unknown, "Nobody has decided to what it applies"
	}
	answer, reason := Yes, "Every condition holds"
	for _, check := range []func(*Rule, Item) (Answer, string){named, serial, configuration} {
		switch got, why := check(rule, e); got {
		case No:
			return No, why
		case Unknown:
			answer, reason = Unknown, why
		case Yes:
		}
	}
	return answer, reason
}

func named(r *Rule, e Item) (Answer, string) {
	open := ""
	for _, c := range []struct {
		list      []string
		have, say string
		around    bool // of what a component is in
	}{
		{r.PartNumbers, e.PartNumber, "part number", false}, {r.AircraftModels, e.AircraftModel, "aircraft model", false}, {r.Models, e.Model, "model", true},
		{r.Engines, e.Name, "engine", true}, {r.Aircraft, e.Aircraft, "aircraft", true},
	} {
		switch {
		case len(c.list) == 0 || slices.Contains(c.list, c.have):
		case c.around && e.Loose:
			open = "It depends on the " + c.say + " that it is in, and it is in none"
		default:
			return No, fmt.Sprintf("It is not for %s %q", c.say, c.have)
		}
	}
	if open != "" {
		return Unknown, open
	}
	return Yes, ""
}

func serial(r *Rule, e Item) (Answer, string) {
	limited, found, unclear := false, false, ""
	for _, s := range r.Serials {
		within := s.holds(e.Serial)
		if within == Unknown {
			unclear = fmt.Sprintf("Serial number %s can't be compared with the range %s to %s", e.Serial, s.First, s.Last)
		}
		if s.Excluded && within == Yes {
			return No, fmt.Sprintf("Serial number %s is excepted", e.Serial)
		}
		limited, found = limited || !s.Excluded, found || !s.Excluded && within == Yes
	}
	switch {
	case unclear != "":
		return Unknown, unclear
	case limited && !found:
		return No, fmt.Sprintf("Serial number %s is outside every range", e.Serial)
	default:
		return Yes, ""
	}
}

// holds compares the numbers at the end of serials that start alike; other serials can't be ordered.
func (s Range) holds(serial string) Answer {
	if serial == s.First || serial == s.Last {
		return Yes
	}
	head, number := split(serial)
	first, low := split(s.First)
	last, high := split(s.Last)
	if first != last || low == "" || high == "" || number == "" {
		return Unknown
	}
	if head != first {
		return No
	}
	if less(number, low) || less(high, number) {
		return No
	}
	return Yes
}

// split cuts a serial into what comes before its last digits, and those without leading zeros.
func split(serial string) (head, number string) {
	head = strings.TrimRight(serial, "0123456789")
	number = serial[len(head):]
	if number == "" {
		return head, ""
	}
	if number = strings.TrimLeft(number, "0"); number == "" {
		number = "0"
	}
	return head, number
}

// less compares whole numbers of any length written without leading zeros.
func less(a, b string) bool {
	if len(a) != len(b) {
		return len(a) < len(b)
	}
	return a < b
}

func configuration(r *Rule, e Item) (Answer, string) {
	for _, m := range r.EmbodiedNone {
		if slices.Contains(e.Embodied, m) {
			return No, fmt.Sprintf("Modification %s is embodied, which ends it", m)
		}
	}
	if len(r.EmbodiedAny) == 0 || slices.ContainsFunc(r.EmbodiedAny, func(m string) bool { return slices.Contains(e.Embodied, m) }) {
		return Yes, ""
	}
	if len(e.Embodied) == 0 {
		return Unknown, "No configuration is recorded, and it depends on one"
	}
	return No, "None of the modifications that it is for is embodied"
}
