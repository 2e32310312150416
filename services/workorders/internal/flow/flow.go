// Package flow is the life of a work order as a declared table: which verb leads from which state to which. What is not in
// the table is refused, with the state and the verbs that are allowed.
package flow

import (
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// The states.
const (
	Drafted   = "DRAFTED"
	Scheduled = "SCHEDULED"
	Kitted    = "KITTED"
	Started   = "STARTED"
	Finished  = "FINISHED"
	Inspected = "INSPECTED"
	Released  = "RELEASED"
	Voided    = "VOIDED"
)

// transition leads from any of the states to one; an order on hold lets only what ends or corrects it happen.
type transition struct {
	verb     string
	from     []string
	to       string
	fact     string // past tense, for the event
	evenHeld bool
}

var table = []transition{
	{"schedule", []string{Drafted, Scheduled}, Scheduled, "scheduled", false},
	{"kit", []string{Scheduled}, Kitted, "kitted", true},
	{"start", []string{Kitted}, Started, "started", false},
	{"finish", []string{Started}, Finished, "finished", false},
	{"rework", []string{Finished, Inspected}, Started, "reworked", true},
	{"inspect", []string{Finished}, Inspected, "inspected", false},
	{"release", []string{Finished, Inspected}, Released, "released", false},
	{"void", []string{Drafted, Scheduled, Kitted, Started, Finished, Inspected}, Voided, "voided", true},
}

// Order is what the table looks at.
type Order struct {
	State              string
	OnHold             bool
	InspectionRequired bool
}

func (t transition) allows(o Order) bool {
	if !slices.Contains(t.from, o.State) || o.OnHold && !t.evenHeld {
		return false
	}
	switch t.verb {
	case "inspect":
		return o.InspectionRequired
	case "release":
		return o.State == Inspected || !o.InspectionRequired
	default:
		return true
	}
}

// Allowed are the verbs that an order allows now, in the order of its life, hold and resume at the end.
func Allowed(o Order) []string {
	var verbs []string
	for _, t := range table {
		if t.allows(o) {
			verbs = append(verbs, t.verb)
		}
	}
	switch {
	case o.State == Released || o.State == Voided:
		return verbs
	case o.OnHold:
		return append(verbs, "resume")
	default:
		return append(verbs, "hold")
	}
}

// Next is the state that a verb leads to and the fact that it makes. Reasons: STATE_NOT_ALLOWED, ON_HOLD,
// INSPECTION_MISSING.
func Next(o Order, verb, name string) (state, fact string, err error) {
	for _, t := range table {
		if t.verb == verb && t.allows(o) {
			return t.to, t.fact, nil
		}
	}
	allowed := strings.Join(Allowed(o), ", ")
	reason := "STATE_NOT_ALLOWED"
	switch {
	case o.OnHold:
		reason = "ON_HOLD"
	case verb == "release" && o.State == Finished:
		reason = "INSPECTION_MISSING"
	}
	f := fault.Precondition(reason, "%s is %s, which does not allow %q. Allowed now: %s.", name, o.State, verb, allowed)
	return "", "", f.With("state", o.State).With("allowed_verbs", allowed)
}
