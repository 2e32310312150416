package due

import (
	"fmt"
	"strings"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/platform/fault"
)

// Extension is by how much limits may be exceeded, and the last day of that; the zero value is none.
type Extension struct {
	Seconds, Cycles, Days int64
	Stop                  civil.Date // zero when only the amounts end it
}

// Empty reports whether it extends nothing.
func (e Extension) Empty() bool { return e.Seconds == 0 && e.Cycles == 0 && e.Days == 0 }

// of is the amount in a limit's own count: seconds, cycles or days. Starts are never extended.
func (e Extension) of(u Unit) int64 {
	switch {
	case u.Calendar():
		return e.Days
	case u == Hours:
		return e.Seconds
	case u == Cycles:
		return e.Cycles
	default:
		return 0
	}
}

// in is what it gives a limit on a day: nothing once its last day is over.
func (e Extension) in(u Unit, today civil.Date) int64 {
	if !e.Stop.IsZero() && e.Stop.Before(today) {
		return 0
	}
	return e.of(u)
}

func (l Left) extended(stop civil.Date) string {
	if l.Grace == 0 {
		return ""
	}
	text := fmt.Sprintf(", extended by %s to %s", amount(l.Limit.Unit, l.Grace), amount(l.Limit.Unit, l.At+l.Grace))
	if l.Limit.Unit.Calendar() {
		text = fmt.Sprintf(", extended by %d days to %s", l.Grace, l.Date.AddDays(int(l.Grace)))
	}
	if !stop.IsZero() {
		text += ", at the latest through " + stop.String()
	}
	return text
}

// Class is what a requirement is, as far as extensions go.
type Class int

// The classes.
const (
	Programme Class = iota // by the programme, which may permit a variation
	Directive              // by law: only the authority changes it (14 CFR 39.7, 39.11)
	LifeLimit              // an airworthiness limitation: never exceeded
)

// May refuses an extension that the rules do not give: a directive and a life limit never have one, others as much as the
// programme permits, in units that the requirement counts. Reasons: EXTENSION_NOT_ALLOWED, EXTENSION_TOO_LONG, EXTENSION_EMPTY.
func (c Class) May(asked, permitted Extension, limits Tree) error {
	switch {
	case c == Directive:
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "A directive is never extended here: only its authority changes it. Plan the work before it is due.")
	case c == LifeLimit:
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "A life limit is never extended. Plan the work before it is due.")
	case asked.Empty():
		return fault.Invalid("extension", "EXTENSION_EMPTY", "The extension is by nothing. Give hours, cycles or days.")
	case permitted.Empty():
		return fault.Precondition("EXTENSION_NOT_ALLOWED", "The programme permits no tolerance for this requirement. Plan the work before it is due.")
	}
	for _, one := range []struct {
		unit  Unit
		field string
	}{{Hours, "extension.operating_seconds"}, {Cycles, "extension.cycles"}, {Days, "extension.days"}} {
		want, most := asked.of(one.unit), permitted.of(one.unit)
		if want > most {
			return fault.Invalid(one.field, "EXTENSION_TOO_LONG", "%s asked for, the programme permits %s. Ask for no more.", span(one.unit, want), span(one.unit, most))
		}
		if want > 0 && !limits.counts(one.unit) {
			return fault.Invalid(one.field, "EXTENSION_NOT_ALLOWED", "The requirement has no limit in %s. Leave that out.", one.unit.Driver())
		}
	}
	return nil
}

// InForce is what counts of an extension now, and why it is less than was granted; no words when all of it counts. Rules change after a grant: a
// kind that is never extended leaves nothing, a programme leaves as much as it permits today.
func (c Class) InForce(granted, permitted Extension, limits Tree) (left Extension, why string) {
	left.Stop = granted.Stop
	switch c {
	case Directive:
		return left, "a directive is never extended"
	case LifeLimit:
		return left, "a life limit is never extended"
	case Programme:
	}
	var cuts []string
	for _, one := range []struct {
		unit Unit
		to   *int64
	}{{Hours, &left.Seconds}, {Cycles, &left.Cycles}, {Days, &left.Days}} {
		had, may := granted.of(one.unit), max(0, permitted.of(one.unit))
		if !limits.counts(one.unit) {
			may = 0
		}
		if *one.to = min(had, may); *one.to < had {
			cuts = append(cuts, fmt.Sprintf("%s were granted, %s are permitted now", span(one.unit, had), span(one.unit, may)))
		}
	}
	return left, strings.Join(cuts, "; ")
}

func span(u Unit, n int64) string {
	if u == Hours {
		return amount(u, n)
	}
	if u.Calendar() {
		return fmt.Sprintf("%d days", n)
	}
	return fmt.Sprintf("%d %s", n, u.Driver())
}

// counts reports whether any limit is in that unit, all calendar units being one.
func (t Tree) counts(u Unit) bool {
	for _, l := range t.Limits {
		if l.Unit == u || u.Calendar() && l.Unit.Calendar() {
			return true
		}
	}
	for _, sub := range t.Trees {
		if sub.counts(u) {
			return true
		}
	}
	return false
}
