// Package flow is the life of a work order as a declared table: which verb leads from which state to which. What is not in
// the table is refused, with the state and the verbs that are allowed. Beside it stands who may inspect.
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

// holding says when an order that is on hold, or is not, lets a verb happen.
type holding int

const (
	running holding = iota // only while it is not on hold
	either                 // what ends or corrects an order happens on hold, too
	held                   // only while it is on hold
)

// transition leads from any of the states to one; "" stays in the state.
type transition struct {
	verb string
	from []string
	to   string
	fact string // past tense, for the event
	when holding
}

var live = []string{Drafted, Scheduled, Kitted, Started, Finished, Inspected}

var table = []transition{
	{"schedule", []string{Drafted, Scheduled}, Scheduled, "scheduled", running},
	{"kit", []string{Scheduled}, Kitted, "kitted", either},
	{"start", []string{Kitted}, Started, "started", running},
	{"finish", []string{Started}, Finished, "finished", running},
	{"rework", []string{Finished, Inspected}, Started, "reworked", either},
	{"inspect", []string{Finished}, Inspected, "inspected", running},
	{"release", []string{Finished, Inspected}, Released, "released", running},
	{"void", live, Voided, "voided", either},
	{"hold", live, "", "held", running},
	{"resume", live, "", "resumed", held},
}

// Order is what the table looks at.
type Order struct {
	State              string
	OnHold             bool
	InspectionRequired bool
}

func (t transition) allows(o Order) bool {
	if !slices.Contains(t.from, o.State) || o.OnHold && t.when == running || !o.OnHold && t.when == held {
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
	return verbs
}

// Next is the state that a verb leads to and the fact that it makes. Reasons: STATE_NOT_ALLOWED, ON_HOLD,
// INSPECTION_MISSING.
func Next(o Order, verb, name string) (state, fact string, err error) {
	for _, t := range table {
		if t.verb != verb || !t.allows(o) {
			continue
		}
		if t.to == "" {
			return o.State, t.fact, nil
		}
		return t.to, t.fact, nil
	}
	allowed := strings.Join(Allowed(o), ", ")
	f := fault.Precondition(reason(o, verb), "%s is %s%s, which does not allow %q. Allowed now: %s.", name, o.State, onHold(o), verb, orNothing(allowed))
	return "", "", f.With("state", o.State).With("allowed_verbs", allowed)
}

func reason(o Order, verb string) string {
	switch {
	case o.OnHold:
		return "ON_HOLD"
	case verb == "release" && o.State == Finished:
		return "INSPECTION_MISSING"
	default:
		return "STATE_NOT_ALLOWED"
	}
}

func onHold(o Order) string {
	if o.OnHold {
		return " and on hold"
	}
	return ""
}

func orNothing(verbs string) string {
	if verbs == "" {
		return "nothing. Draft a new order for what is still to be done"
	}
	return verbs
}

// Inspects says whether a person, who is told so, may inspect an order that these people worked on: who took part never does, but for the
// recorded exception, which gives its reason and is for nobody else (14 CFR 121.371(c), 135.429(c); Part-145, 145.A.48(c)).
// Reasons: SAME_PERSON, EXCEPTION_NOT_NEEDED.
func Inspects(workers []string, person, exception, name string) error {
	own, excepted := slices.Contains(workers, person), strings.TrimSpace(exception) != ""
	switch {
	case own && !excepted:
		return fault.Precondition("SAME_PERSON", "You did work of %s and can't inspect it. Ask another person to.", name).With("person", person)
	case !own && excepted:
		return fault.Invalid("exception_reason", "EXCEPTION_NOT_NEEDED", "You did no work of %s, so no exception is needed. Inspect without a reason.", name)
	default:
		return nil
	}
}

// Ending is what ending an order without release looks at.
type Ending struct {
	Signer  string // who signed anything on it, "" for nobody
	Quality bool   // whether the caller answers for quality
	Out     int32  // items that were taken out and not counted back in
	Wet     bool   // liquid went into the engine, and it was neither dried since nor left wet with agreement
}

// Voids says whether an order may be ended: before anything was signed a planner does; afterwards quality closes it as incomplete;
// so does quality alone while the engine is wet, which corrodes it and may freeze in it; and nobody does while something is still out.
// Reasons: SIGNED_ALREADY, RESTORE_OPEN, DRYING_RUN_MISSING.
func Voids(e Ending, name string) error {
	switch {
	case e.Signer != "" && !e.Quality:
		return fault.Denied("SIGNED_ALREADY", "%s was signed by %s. Work it to its release, or have quality close it as incomplete.", name, e.Signer)
	case e.Out > 0:
		return fault.Precondition("RESTORE_OPEN", "%d items that were taken out on %s are not counted back in. Restore and count them first.", e.Out, name)
	case e.Wet && !e.Quality:
		return fault.Precondition("DRYING_RUN_MISSING",
			"Liquid went into the engine of %s, and no drying run is recorded since. Do it and record it, or have quality end the order.", name)
	default:
		return nil
	}
}
