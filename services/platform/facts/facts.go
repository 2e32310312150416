// Package facts says of every type of fact which area of the contract it belongs to: who may tell it, and who may read it outside.
//
// It is the one place that decides. The feed, streams, webhooks and postings ask it what a caller may read, and the rights of the parts at
// the event servers are made from it, so that a fact whose area nobody declared can't be told at all.
package facts

import (
	"fmt"
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// Access is the area of the gateway's own facts.
const Access = "access"

// kind are the types that begin alike, or one type where others of its area begin otherwise, their area, and the roles that may read them; none is whoever may read the feed.
type kind struct {
	prefix, area string
	roles        []string
}

// kinds don't overlap. The roles are those that may read the fact's subject in the contract; that the glass was broken is told to integrators
// too, as they send alarms on.
var kinds = []kind{
	{"coldsection.access.authorization.", "compliance", nil},
	{"coldsection.aircraft.", "compliance", nil},
	{"coldsection.compliance.", "compliance", nil},
	{"coldsection.engine.changed.v1", "compliance", nil},
	{"coldsection.engine.registered.v1", "compliance", nil},
	{"coldsection.engine.utilization.", "compliance", nil},
	{"coldsection.tools.", "compliance", nil},
	{"coldsection.stock.", "consumables", nil},
	{"coldsection.engine.reading.", "performance", nil},
	{"coldsection.performance.", "performance", nil},
	{"coldsection.workorder.", "workorders", nil},
	{"coldsection.access.break_glass.", Access, []string{"admin", "quality", "integrator"}},
	{"coldsection.access.posting.", Access, []string{"integrator", "stores", "planner", "quality", "admin"}},
	{"coldsection.access.webhook.", Access, []string{"admin", "integrator"}},
}

// Areas are the areas that facts are of, sorted.
func Areas() []string {
	var all []string
	for _, k := range kinds {
		all = append(all, k.area)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Of is the area of a type; "" for one that nobody declared.
func Of(typ string) string { return kindOf(typ).area }

func kindOf(typ string) kind {
	for _, k := range kinds {
		if strings.HasPrefix(typ, k.prefix) {
			return k
		}
	}
	return kind{}
}

// Types are the types of an area and their prefixes as the feed takes them, such as "coldsection.stock.*".
func Types(area string) []string {
	var all []string
	for _, k := range kinds {
		if k.area == area {
			all = append(all, k.pattern())
		}
	}
	return all
}

// pattern is the kind as the feed takes it: a prefix for all that goes on from it, a whole type as it is.
func (k kind) pattern() string {
	if strings.HasSuffix(k.prefix, ".") {
		return k.prefix + "*"
	}
	return k.prefix
}

// Reader is what somebody may read of the facts.
type Reader struct {
	Who   string   // for refusals
	Roles []string // of the reader
	Areas []string // to which the reader's key is narrowed; empty is all
}

// may says whether facts of a kind are for the reader.
func (r Reader) may(k kind) bool { return r.inArea(k) && r.hasRole(k) }

func (r Reader) inArea(k kind) bool { return len(r.Areas) == 0 || slices.Contains(r.Areas, k.area) }

func (r Reader) hasRole(k kind) bool {
	return len(k.roles) == 0 || slices.ContainsFunc(r.Roles, func(role string) bool { return slices.Contains(k.roles, role) })
}

// May says whether the reader may read facts of a type. One that this program does not know yet is for readers without limits to areas only.
func (r Reader) May(typ string) bool { return r.may(kindOf(typ)) }

// Asked refuses types and prefixes of which the reader may read nothing at all: an empty feed would look as if nothing happened. Reasons:
// SCOPE_MISSING, ROLE_MISSING.
func (r Reader) Asked(types []string) error {
	for _, typ := range types {
		if err := r.asked(typ); err != nil {
			return err
		}
	}
	return nil
}

func (r Reader) asked(typ string) error {
	met := touched(typ)
	switch {
	case slices.ContainsFunc(met, r.may), len(met) == 0 && len(r.Areas) == 0:
		return nil
	case !slices.ContainsFunc(met, r.inArea):
		return fault.Denied("SCOPE_MISSING", "This key of %s is limited to facts of %s, and those of the type %s are of another area. "+
			"Leave the type out, or use a key with the scope of their area.", r.Who, strings.Join(r.Areas, ", "), typ)
	default:
		return fault.Denied("ROLE_MISSING", "%s may not read facts of the type %s, which are for: %s. Leave the type out, or ask somebody with one of these roles.",
			r.Who, typ, strings.Join(met[0].roles, ", "))
	}
}

// touched are the kinds of which a type or a prefix takes something.
func touched(typ string) []kind {
	prefix, all := strings.CutSuffix(typ, "*")
	var met []kind
	for _, k := range kinds {
		if strings.HasPrefix(prefix, k.prefix) || all && strings.HasPrefix(k.prefix, prefix) {
			met = append(met, k)
		}
	}
	return met
}

// Narrow are the types to ask the feed for: those asked for, or for a reader of some areas the prefixes of these. What it lets through beyond
// what the reader may read, May takes out.
func (r Reader) Narrow(types []string) []string {
	if len(types) > 0 || len(r.Areas) == 0 {
		return types
	}
	for _, k := range kinds {
		if r.may(k) {
			types = append(types, k.pattern())
		}
	}
	return types
}

// Condition is what a row must meet whose column has the type of a fact, going on after args; empty where all rows do.
func (r Reader) Condition(column string, args []any) (string, []any) {
	var named []string
	for _, k := range kinds {
		if r.may(k) == (len(r.Areas) > 0) { // those of the areas, or all but those that the roles keep away
			args = append(args, k.prefix)
			named = append(named, fmt.Sprintf("substr(%s, 1, %d) = $%d", column, len(k.prefix), len(args)))
		}
	}
	either := strings.Join(named, " OR ")
	switch {
	case len(r.Areas) == 0 && either == "":
		return "", args
	case len(r.Areas) == 0:
		return "NOT (" + either + ")", args
	case either == "":
		return "1 = 0", args
	default:
		return "(" + either + ")", args
	}
}
