package scenarios

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/integration/harness"
)

// fieldKind is how a filter's field of one kind is written.
type fieldKind struct {
	good    string   // a value that it takes, "" when the refusal lists them
	ordered bool     // whether < and > mean something
	bad     []string // values that it does not take
}

// text fields take every value, so that no refusal says what they take.
const textKind = "text"

// fieldKinds are the kinds of fields, by what a refusal says that they take.
var fieldKinds = map[string]fieldKind{
	textKind:         {`"a b"`, true, nil},
	"a whole number": {"-3", true, []string{"three", "3.5", "1e2", "99999999999999999999", `""`}},
	"true or false":  {"true", false, []string{"yes", "1", "TRUE"}},
	"a time such as": {`"2026-03-01T08:00:00+01:00"`, true, []string{"yesterday", "2026-03-01", `"2026-03-01T08:00:00"`, `"2026-02-30T08:00:00Z"`}},
	"a date such as": {"2026-03-01", true, []string{"2026-02-30", "1.3.2026", `"2026-03-01T08:00:00Z"`}},
	"one of":         {"", false, []string{"BLUE", "1", "'*'"}},
}

// readFilters are filters over a field F with a value V of its kind that are read; those of orderedFilters need an order.
var (
	readFilters = []string{
		`F = V`, `F=V`, `F != V`, `F:V`, `F:*`, `NOT F = V`, `NOT (NOT F = V)`, `F = V AND F = V`, `F = V OR F != V`, `(F = V)`,
		`((F = V) OR F:*) AND NOT (F != V)`, `F = V AND F = V OR F = V`, `  F   =   V  `,
	}
	orderedFilters = []string{`F < V`, `F <= V`, `F > V`, `F >= V`, `F>=V AND F<V`}
)

// refusedAt are filters with the place, counted in characters from 1, that their refusal names.
func refusedAt(f, v string) map[string]int {
	n, m := len(f), len(f)+len(v)
	return map[string]int{
		f: n + 1, f + " =": n + 3, f + " = = " + v: n + 4, "= " + v: 1, f + " ! " + v: n + 2, f + " = " + v + " " + f: m + 5, f + " = " + v + " AND": m + 8,
		f + ":* and " + f + ":*": n + 4, "(" + f + ":*": 1, f + ":*)": n + 3, f + ` = "a`: n + 4, `"` + f + `":*`: 1, f + ":* OR colour = red": n + 7, f + " LIKE " + v: n + 2,
	}
}

// What refusals say of fields.
var (
	fieldsSaid = regexp.MustCompile(`Fields here are ([a-z0-9_, ]+)\.$`)
	takesSaid  = regexp.MustCompile(`which takes (a whole number|true or false|a time such as|a date such as|one of) ?(.*?)\.$`)
)

// filtered is a list that can be filtered.
type filtered struct {
	t      *testing.T
	method protoreflect.MethodDescriptor
	path   string
	reader *harness.Person
	asked  *int
}

// Check API-09, of every list in the contract and every field that it can be filtered by: filters of its kind are read, wrong ones are refused with
// their place, and a value that a resource shows chooses it and no resource with another.
func everyListIsFiltered(t *testing.T, in told) {
	asked, kinds, chosen, bound := 0, map[string]int{}, 0, 0
	lists := filteredLists(t, in, &asked)
	operations := described(t, fetch(t, in.stage.URL("/openapi.json")))
	for i, l := range lists {
		l.isDescribed(operations)
		for k, name := range l.fields() {
			kind, value := l.kind(name)
			kinds[kind]++
			l.reads(name, kind, value)
			l.refusesValues(name, kind)
			if k == 0 && l.bindsTokens(name) {
				bound++
			}
			if (i+k)%8 == 0 { // what hangs on no field is asked with some
				for filter, at := range refusedAt(name, value) {
					l.refuses(filter, at)
				}
			}
		}
		chosen += l.chooses()
	}
	t.Logf("%d lists, fields by kind %v, %d requests, %d fields chose, tokens of %d lists", len(lists), kinds, asked, chosen, bound)
	if len(lists) < 40 || len(kinds) != len(fieldKinds) || chosen < 80 || bound < 20 {
		t.Errorf("only %d lists with fields of %d kinds, %d fields chose, and %d lists had a page token", len(lists), len(kinds), chosen, bound)
	}
}

// filteredLists are the lists of the contract that have a filter, each with somebody who may read it.
func filteredLists(t *testing.T, in told, asked *int) (all []filtered) {
	t.Helper()
	people := []*harness.Person{in.stage.SignIn(t, "quality"), in.stage.SignIn(t, "admin")}
	for _, m := range methods() {
		rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		if !strings.HasPrefix(string(m.Name()), "List") || m.Input().Fields().ByName("filter") == nil {
			continue
		}
		path := strings.ReplaceAll(pathOf(rule.GetGet()), "*", "-")
		at := slices.IndexFunc(people, func(who *harness.Person) bool { return who.REST("GET", path, nil).Status == http.StatusOK })
		if at < 0 {
			t.Logf("nobody reads %s in every parent: %v", path, people[0].REST("GET", path, nil).Body)
			continue
		}
		all = append(all, filtered{t, m, path, people[at], asked})
	}
	return all
}

var variable = regexp.MustCompile(`\{[a-z_]+=([^}]*)\}`)

// pathOf is an HTTP rule's path with the patterns of its variables in their places.
func pathOf(rule string) string { return variable.ReplaceAllString(rule, "$1") }

func (l filtered) get(filter string) harness.Answer {
	*l.asked++
	return l.reader.REST("GET", l.path+"?pageSize=1000&filter="+escaped(filter), nil)
}

// fields are the fields that the refusal of an unknown one lists.
func (l filtered) fields() []string {
	l.refuses("no_such_field = 1", 1)
	a := l.get("no_such_field = 1")
	if strings.HasPrefix(text(a.Body, "detail"), "This list can't be filtered.") {
		return nil
	}
	said := fieldsSaid.FindStringSubmatch(text(a.Body, "detail"))
	if said == nil {
		l.t.Fatalf("%s names no fields: %v", l.path, a.Body)
	}
	return strings.Split(said[1], ", ")
}

// kind is what a field takes, and a value of it; it is what the contract says of the resource's field with that name.
func (l filtered) kind(name string) (kind, value string) {
	a := l.get(name + ` = "?"`)
	kind, value = textKind, fieldKinds[textKind].good
	if said := takesSaid.FindStringSubmatch(text(a.Body, "detail")); said != nil {
		kind = said[1]
		value = cmp.Or(fieldKinds[kind].good, strings.Split(said[2], ", ")[0])
	} else if a.Status != http.StatusOK {
		l.t.Errorf(`%s, %s = "?": %d %v`, l.path, name, a.Status, a.Body)
	}
	if field := l.resource().Fields().ByName(protoreflect.Name(name)); field != nil && kindInContract(field) != kind {
		l.t.Errorf("%s: %s takes %s, and the contract says %v", l.path, name, kind, field)
	}
	return kind, value
}

// resource is what the list has in its first field.
func (l filtered) resource() protoreflect.MessageDescriptor {
	return l.method.Output().Fields().ByNumber(1).Message()
}

func kindInContract(f protoreflect.FieldDescriptor) string {
	switch {
	case f.Kind() == protoreflect.EnumKind:
		return "one of"
	case f.Kind() == protoreflect.Int32Kind, f.Kind() == protoreflect.Int64Kind:
		return "a whole number"
	case f.Message() == nil:
		return map[bool]string{true: "true or false", false: textKind}[f.Kind() == protoreflect.BoolKind]
	case f.Message().FullName() == "google.protobuf.Timestamp":
		return "a time such as"
	case f.Message().FullName() == "google.type.Date":
		return "a date such as"
	default:
		return "true or false" // set or not
	}
}

// reads sends the filters of a field's kind in one, which is read when each of them is, and some alone.
func (l filtered) reads(name, kind, value string) {
	filters := readFilters
	if fieldKinds[kind].ordered {
		filters = slices.Concat(readFilters, orderedFilters)
	} else {
		l.refuses(name+" < "+value, len(name)+2)
	}
	fill := strings.NewReplacer("F", name, "V", value)
	all := make([]string, len(filters))
	for i, f := range filters {
		all[i] = "(" + fill.Replace(f) + ")"
	}
	for _, filter := range []string{strings.Join(all, " OR "), fill.Replace(filters[*l.asked%len(filters)])} {
		if a := l.get(filter); a.Status != http.StatusOK {
			l.t.Errorf("%s, %s: %d %v", l.path, filter, a.Status, a.Body)
		}
	}
}

func (l filtered) refusesValues(name, kind string) {
	for i, bad := range fieldKinds[kind].bad {
		before := []string{"", "NOT ", "(" + name + ":*) AND "}[i%3]
		l.refuses(before+name+" = "+bad, len(before)+len(name)+4)
	}
}

// refuses holds a refusal to its place in the filter, and to what every problem has.
func (l filtered) refuses(filter string, at int) {
	l.t.Helper()
	a := l.get(filter)
	said, _ := a.Body["metadata"].(map[string]any)
	if a.Status != http.StatusBadRequest || a.Reason() != "FILTER_INVALID" || said["position"] != fmt.Sprint(at) {
		l.t.Errorf("%s, %s: %d %v, want position %d", l.path, filter, a.Status, a.Body, at)
	}
	checkProblem(l.t, l.path+" "+filter, a)
}

// bindsTokens asks for the second page with another filter than the first, which is refused; false when the list has one page.
func (l filtered) bindsTokens(name string) bool {
	token := text(l.reader.REST("GET", l.path+"?pageSize=1", nil).Body, "nextPageToken")
	if token == "" {
		return false
	}
	a := l.reader.REST("GET", l.path+"?pageSize=1&filter="+escaped(name+":*")+"&pageToken="+escaped(token), nil)
	if a.Status != http.StatusBadRequest || a.Reason() != "PAGE_TOKEN_INVALID" {
		l.t.Errorf("%s, the token of no filter with %s:*: %d %v", l.path, name, a.Status, a.Body)
	}
	return true
}

// chooses asks for the resources that have the value that the first one shows, field by field, and returns how many fields were asked for.
func (l filtered) chooses() (fields int) {
	member := l.method.Output().Fields().ByNumber(1).JSONName()
	first, some := first(l.get("").Body, member)
	if !some {
		return 0
	}
	for _, name := range l.fields() {
		field := l.resource().Fields().ByName(protoreflect.Name(name))
		if field == nil || field.IsList() || field.IsMap() {
			continue
		}
		shown := first[field.JSONName()]
		value, plain := writtenAs(field, shown)
		if !plain {
			continue
		}
		fields++
		equal, others := elements(l.get(name+" = "+value).Body, member), elements(l.get(name+" != "+value).Body, member)
		if len(equal) == 0 {
			l.t.Errorf("%s, %s = %s chooses nothing", l.path, name, value)
		}
		for i, r := range slices.Concat(equal, others) {
			if got := r.(map[string]any)[field.JSONName()]; (jsonText(l.t, got) == jsonText(l.t, shown)) != (i < len(equal)) {
				l.t.Errorf("%s, %s and %s: %v is on the wrong side", l.path, name, value, got)
			}
		}
	}
	return fields
}

// first is the first resource of a list.
func first(body map[string]any, member string) (map[string]any, bool) {
	for _, r := range elements(body, member) {
		resource, ok := r.(map[string]any)
		return resource, ok
	}
	return nil, false
}

// writtenAs is a resource's value as a filter writes it.
func writtenAs(f protoreflect.FieldDescriptor, shown any) (string, bool) {
	switch value := shown.(type) {
	case string:
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(value) + `"`, f.Message() == nil || kindInContract(f) == "a time such as"
	case float64, bool:
		return fmt.Sprint(value), true
	case map[string]any:
		if kindInContract(f) != "a date such as" || !slices.Equal(slices.Sorted(maps.Keys(value)), []string{"day", "month", "year"}) {
			return "", false
		}
		return fmt.Sprintf("%04v-%02v-%02v", value["year"], value["month"], value["day"]), true
	default:
		return "", false
	}
}
