package facts_test

import (
	"encoding/csv"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "coldsection.example/proto/coldsection/access/v1"
	_ "coldsection.example/proto/coldsection/compliance/v1"
	_ "coldsection.example/proto/coldsection/consumables/v1"
	_ "coldsection.example/proto/coldsection/performance/v1"
	_ "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
)

// registered are all types of facts of the suite.
func registered(t *testing.T) []string {
	t.Helper()
	file, err := os.Open("../../../integration/scenarios/testdata/facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var types []string
	for _, row := range rows[1:] {
		types = append(types, row[0])
	}
	return types
}

// areas are the areas of the contract that have facts, by its descriptors: packages coldsection.<area>.v1 with services of their own.
func areas() []string {
	var all []string
	protoregistry.GlobalFiles.RangeFiles(func(fd protoreflect.FileDescriptor) bool {
		words := strings.Split(string(fd.Package()), ".")
		if len(words) == 3 && words[0] == "coldsection" && fd.Services().Len() > 0 && words[1] != "operations" {
			all = append(all, words[1])
		}
		return true
	})
	slices.Sort(all)
	return slices.Compact(all)
}

// Every fact has an area of the contract, and of every pair of a scope and a fact it is decided: a key narrowed to the fact's area reads it, and no
// other narrowed key does.
func TestEveryFactIsForItsAreaOnly(t *testing.T) {
	if got, want := facts.Areas(), areas(); !slices.Equal(got, want) {
		t.Fatalf("facts are of %v, the contract has %v", got, want)
	}
	types := registered(t)
	if len(types) < 70 {
		t.Fatalf("only %d types are registered", len(types))
	}
	for _, typ := range types {
		own := facts.Of(typ)
		if !slices.Contains(areas(), own) {
			t.Errorf("%s is of the area %q, which the contract does not have; give it one in package facts", typ, own)
			continue
		}
		for _, scopes := range [][]string{nil, {"access"}, {"compliance"}, {"consumables"}, {"performance"}, {"workorders"}, {"access", "consumables"}, areas()} {
			r := facts.Reader{Who: "accounts/erp", Roles: []string{"integrator", "quality"}, Areas: scopes}
			want := len(scopes) == 0 || slices.Contains(scopes, own)
			if r.May(typ) != want {
				t.Errorf("a key of %v may read %s: %v", scopes, typ, !want)
			}
			if err := r.Asked([]string{typ}); (err == nil) != want || err != nil && !fault.HasReason(err, "SCOPE_MISSING") {
				t.Errorf("a key of %v asks for %s: %v", scopes, typ, err)
			}
		}
	}
}

// One prefix holds no other, or a fact had two areas; each prefix is taken by some fact, or it is a slip.
func TestPrefixesAreApartAndUsed(t *testing.T) {
	var prefixes []string
	types := registered(t)
	for _, area := range facts.Areas() {
		for _, p := range facts.Types(area) {
			prefixes = append(prefixes, strings.TrimSuffix(p, "*"))
			if strings.HasSuffix(p, ".*") && slices.Contains(types, strings.TrimSuffix(p, "*")+"v1") {
				t.Errorf("%s is asked for, and to the feed that leaves the type of this name out", p)
			}
		}
	}
	for _, p := range prefixes {
		if !strings.HasPrefix(p, "coldsection.") || !strings.HasSuffix(p, ".") && !slices.Contains(types, p) {
			t.Errorf("%q is no prefix of whole words", p)
		}
		if !slices.ContainsFunc(types, func(typ string) bool { return strings.HasPrefix(typ, p) }) {
			t.Errorf("no fact begins with %s", p)
		}
		for _, other := range prefixes {
			if p != other && strings.HasPrefix(p, other) {
				t.Errorf("%s holds %s", other, p)
			}
		}
	}
}

// The roles are those that the contract lets read the subject; that the glass was broken is told to whoever sends alarms on, too.
func TestSomeFactsAreForSomeRoles(t *testing.T) {
	for _, c := range []struct{ typ, roles string }{
		{"coldsection.access.break_glass.opened.v1", "admin quality integrator"}, {"coldsection.access.webhook.disabled.v1", "admin integrator"},
		{"coldsection.access.posting.rejected.v1", "admin quality integrator stores planner"},
		{"coldsection.access.authorization.changed.v1", "admin quality integrator stores planner viewer analyst"},
		{"coldsection.stock.issued.v1", "admin quality integrator stores planner viewer analyst"},
		{"coldsection.moon.landed.v1", "admin quality integrator stores planner viewer analyst"}, // of a later program
	} {
		for role := range strings.FieldsSeq("admin quality integrator stores planner viewer analyst") {
			r, want := facts.Reader{Who: "accounts/a", Roles: []string{role}}, slices.Contains(strings.Fields(c.roles), role)
			if r.May(c.typ) != want {
				t.Errorf("%s reads %s: %v", role, c.typ, !want)
			}
			if err := r.Asked([]string{c.typ}); (err == nil) != want || err != nil && !fault.HasReason(err, "ROLE_MISSING") {
				t.Errorf("%s asks for %s: %v", role, c.typ, err)
			}
		}
	}
	if (facts.Reader{Areas: []string{"access"}, Roles: []string{"admin"}}).May("coldsection.moon.landed.v1") {
		t.Error("a narrowed key reads facts whose area is not known")
	}
}

// Prefixes are refused when nothing under them may be read, and only then.
func TestPrefixesThatAreAskedFor(t *testing.T) {
	for _, c := range []struct{ areas, types, reason string }{
		{"consumables", "", ""}, {"consumables", "coldsection.*", ""}, {"consumables", "coldsection.stock.lot.*", ""},
		{"consumables", "coldsection.workorder.*", "SCOPE_MISSING"}, {"consumables", "coldsection.stock.* coldsection.workorder.*", "SCOPE_MISSING"},
		{"compliance", "coldsection.access.*", ""}, {"compliance", "coldsection.engine.*", ""}, {"performance", "coldsection.engine.*", ""},
		{"workorders", "coldsection.engine.*", "SCOPE_MISSING"}, {"performance", "coldsection.engine.changed.v1", "SCOPE_MISSING"},
		{"consumables", "coldsection.moon.*", "SCOPE_MISSING"}, {"", "coldsection.moon.*", ""}, {"consumables", "coldsection.stocks.*", "SCOPE_MISSING"},
	} {
		err := facts.Reader{Who: "accounts/a", Roles: []string{"admin"}, Areas: strings.Fields(c.areas)}.Asked(strings.Fields(c.types))
		if c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// What a list shows by its condition is what May lets be read, for every type.
func TestTheConditionIsThatOfMay(t *testing.T) {
	for _, r := range []facts.Reader{
		{}, {Roles: []string{"admin"}}, {Roles: []string{"viewer"}}, {Areas: []string{"access"}, Roles: []string{"viewer"}}, {Areas: []string{"none"}},
		{Areas: []string{"access", "workorders"}, Roles: []string{"quality"}}, {Areas: []string{"consumables"}, Roles: []string{"stores"}},
	} {
		condition, args := r.Condition("event_type", []any{"before"})
		for _, typ := range append(registered(t), "coldsection.moon.landed.v1") {
			if met := meets(t, condition, args, typ); met != r.May(typ) {
				t.Errorf("%+v, %s: the condition %q says %v", r, typ, condition, met)
			}
		}
	}
}

// meets reads the few forms that a condition has.
func meets(t *testing.T, condition string, args []any, typ string) bool {
	t.Helper()
	if condition == "" {
		return true
	}
	inner, negated := strings.CutPrefix(condition, "NOT ")
	met := false
	for part := range strings.SplitSeq(strings.Trim(inner, "()"), " OR ") {
		var length, arg int
		if part == "1 = 0" {
			continue
		}
		if _, err := fmt.Sscanf(part, "substr(event_type, 1, %d) = $%d", &length, &arg); err != nil {
			t.Fatalf("%q: %v", part, err)
		}
		met = met || len(typ) >= length && typ[:length] == args[arg-1]
	}
	return met != negated
}
