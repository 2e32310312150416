package rest

import (
	"net/http"
	"regexp"
	"slices"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/config"
	"coldsection.example/services/platform/fault"
)

// reader says in the house's words what the readers of JSON and of queries found wrong, by the contract of the request.
type reader struct{ routes map[string]route }

// asked is the mapping that a request met, if it met one.
func (t reader) asked(r *http.Request) route {
	pattern, ok := runtime.HTTPPattern(r.Context())
	if !ok {
		return route{}
	}
	return t.routes[r.Method+" "+pattern.String()]
}

// said is one saying of a reader of JSON (protojson) or of a query (the HTTP mapping), and what becomes of it.
type said struct {
	pattern *regexp.Regexp
	refuse  func(input protoreflect.MessageDescriptor, at string, found []string) error
}

var place = regexp.MustCompile(`\(line (\d+):(\d+)\)`)

// sayings are tried in this order.
var sayings = []said{
	{regexp.MustCompile(`unknown field "(.*)"$`), unknownField},
	{regexp.MustCompile(`duplicate (?:field|map key) "?([^"]*)"?$`), func(_ protoreflect.MessageDescriptor, at string, found []string) error {
		if at == "" { // a query, which has no lines
			return fault.Invalid(found[1], "REQUEST_UNREADABLE", "The query has %q twice, in two spellings of it. Leave one of them out.", found[1])
		}
		return fault.Invalid(found[1], "REQUEST_UNREADABLE", "The body has %q twice, the second time%s. Leave one of them out.", found[1], at)
	}},
	{regexp.MustCompile(`too many values for field "([^"]+)"`), func(_ protoreflect.MessageDescriptor, _ string, found []string) error {
		return fault.Invalid(found[1], "REQUEST_UNREADABLE", "The query has %q more than once, and it takes one value. Leave the others out.", found[1])
	}},
	{regexp.MustCompile(`invalid value for enum field (\w+): (.*)$`), wrongWord},
	{regexp.MustCompile(`invalid value for (\w+) field (\w+): (.*)$`), func(_ protoreflect.MessageDescriptor, at string, found []string) error {
		return wrongKind(found[2], found[1], found[3], at)
	}},
	{regexp.MustCompile(`invalid google\.protobuf\.(\w+) value "?([^"]*)"?`), func(_ protoreflect.MessageDescriptor, at string, found []string) error {
		return wrongKind("", found[1], found[2], at)
	}},
	{regexp.MustCompile(`parsing (?:field|list|map key|map value) "([^"]+)": (.*)$`), wrongParameter},
	{regexp.MustCompile(`error parsing "([^"]*)", oneof (\S+) is already set`), func(_ protoreflect.MessageDescriptor, at string, found []string) error {
		return fault.Invalid(found[1], "REQUEST_UNREADABLE", "The body has %q%s beside another field that excludes it. Leave one of them out.", found[1], at)
	}},
	{regexp.MustCompile(`syntax error|unexpected token|unexpected EOF`), func(_ protoreflect.MessageDescriptor, at string, _ []string) error {
		return fault.Invalid("", "REQUEST_UNREADABLE", "The body is no JSON object of this request: reading stops%s. Correct it there; /reference shows an example of every request.",
			or(at, " at its end"))
	}},
}

// reword gives a reason and a sentence of ours to what the HTTP mapping itself refuses. Reasons: UNKNOWN_FIELD, REQUEST_UNREADABLE.
func (t reader) reword(r *http.Request, err error) error {
	s, ok := status.FromError(err)
	if _, ours := fault.As(err); !ok || ours || s.Code() != codes.InvalidArgument || len(s.Details()) > 0 {
		return err
	}
	at := ""
	if found := place.FindStringSubmatch(s.Message()); found != nil {
		at = " at line " + found[1] + ", character " + found[2]
	}
	for _, one := range sayings {
		if found := one.pattern.FindStringSubmatch(s.Message()); found != nil {
			return one.refuse(t.asked(r).input, at, found)
		}
	}
	return err
}

func unknownField(input protoreflect.MessageDescriptor, at string, found []string) error {
	name := found[1]
	var known []string
	everyField(input, map[protoreflect.FullName]bool{}, func(f protoreflect.FieldDescriptor) { known = append(known, f.JSONName()) })
	hint := meant(name, slices.DeleteFunc(slices.Clone(known), func(k string) bool { return k == name }))
	if slices.Contains(known, name) { // as where a resource was sent with its own name around it
		hint = " It stands elsewhere in the request."
	}
	return fault.Invalid(name, "UNKNOWN_FIELD", "The body has a field %.80q%s that this request does not know there.%s Leave it out or correct its name; /reference lists the fields.",
		name, at, hint)
}

// wrongWord refuses a word that is none of an enumeration.
func wrongWord(input protoreflect.MessageDescriptor, at string, found []string) error {
	name, value := found[1], strings.Trim(found[2], `"`)
	var words []string
	everyField(input, map[protoreflect.FullName]bool{}, func(f protoreflect.FieldDescriptor) {
		if f.JSONName() == name && f.Enum() != nil && len(words) == 0 {
			for i := 1; i < f.Enum().Values().Len(); i++ {
				words = append(words, string(f.Enum().Values().Get(i).Name()))
			}
		}
	})
	if len(words) == 0 {
		return fault.Invalid(name, "REQUEST_UNREADABLE", "%s%s can't be %.80q. Give one of the words that /reference lists for it.", name, at, value)
	}
	return fault.Invalid(name, "REQUEST_UNREADABLE", "%s%s can't be %.80q. Give one of %s.", name, at, value, strings.Join(words, ", "))
}

// kinds say what a field takes, by the name of its kind in the contract or of its message.
var kinds = []struct {
	names []string
	takes string
}{
	{[]string{"string"}, "text in quotes"}, {[]string{"bool"}, "true or false"}, {[]string{"bytes"}, "text in base64"},
	{[]string{"double", "float"}, "a number"}, {[]string{"message"}, "an object in braces"},
	{[]string{"int32", "int64", "uint32", "uint64", "sint32", "sint64", "fixed32", "fixed64"}, "a whole number within its range"},
	{[]string{"Timestamp"}, `a time with its zone, such as "2026-03-01T08:00:00Z"`}, {[]string{"Duration"}, `seconds with an s, such as "90s"`},
	{[]string{"FieldMask"}, `names of fields with commas between, such as "displayName,kind"`},
}

func wrongKind(name, kind, value, at string) error {
	takes := "something else; /reference says what"
	for _, k := range kinds {
		if slices.Contains(k.names, kind) {
			takes = k.takes
		}
	}
	return fault.Invalid(name, "REQUEST_UNREADABLE", "%s%s can't be %.80q. It takes %s.", or(name, "A value"), at, strings.Trim(value, `"`), takes)
}

var quoted = regexp.MustCompile(`"([^"]*)"`)

// wrongParameter refuses the value of a query parameter.
func wrongParameter(input protoreflect.MessageDescriptor, _ string, found []string) error {
	value := found[2]
	if inner := quoted.FindStringSubmatch(value); inner != nil {
		value = inner[1]
	}
	return wrongKind(found[1], kindOf(input, found[1]), value, "")
}

// kindOf is the kind of a field that a query names.
func kindOf(input protoreflect.MessageDescriptor, parameter string) string {
	fields := route{input: input}.named(parameter)
	if len(fields) == 0 {
		return ""
	}
	last := fields[len(fields)-1]
	if last.Message() != nil {
		return string(last.Message().Name())
	}
	return last.Kind().String()
}

// everyField visits the fields of a message and of those inside of it.
func everyField(m protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool, visit func(protoreflect.FieldDescriptor)) {
	if m == nil || seen[m.FullName()] {
		return
	}
	seen[m.FullName()] = true
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		visit(f)
		everyField(f.Message(), seen, visit)
	}
}

// furthest is how many characters a word may differ from a known one to be taken for it.
const furthest = 3

// meant asks whether the known word nearest to another was meant; empty when none is near.
func meant(word string, known []string) string {
	if len(known) == 0 {
		return ""
	}
	best := slices.MinFunc(known, func(a, b string) int { return config.Distance(word, a) - config.Distance(word, b) })
	d := config.Distance(word, best)
	if d > furthest || 2*d > len(word) {
		return ""
	}
	return " Did you mean " + best + "?"
}

func or(text, instead string) string {
	if text == "" {
		return instead
	}
	return text
}

// unknownPath refuses a path that is not there, with the collection of a name like its own.
func (t reader) unknownPath(path string) error {
	var known []string
	for mapping := range t.routes {
		_, pattern, _ := strings.Cut(mapping, " ")
		known = append(known, collection(strings.ReplaceAll(strings.ReplaceAll(pattern, "{name=", ""), "{parent=", "")))
	}
	slices.Sort(known)
	hint := meant(collection(path), known)
	if clean := strings.TrimSuffix(cleaned(path), "/"); clean != path && slices.Contains(known, collection(clean)) {
		return fault.New(fault.NotFound, "PATH_UNKNOWN", "There is no path %.100q. Did you mean %.100s? Correct it; /reference and /openapi.json list every path.", path, clean)
	}
	if slices.Contains(known, collection(path)) {
		hint = or(meant(verb(path), t.verbs(collection(path))), " "+collection(path)+" is there, with other parts or verbs behind it.")
	}
	return fault.New(fault.NotFound, "PATH_UNKNOWN", "There is no path %.100q.%s Correct it; /reference and /openapi.json list every path.", path, hint)
}

// verbs are those of a collection and its resources, such as ":lookUp".
func (t reader) verbs(of string) (verbs []string) {
	for mapping := range t.routes {
		_, pattern, _ := strings.Cut(mapping, " ")
		bare := strings.ReplaceAll(strings.ReplaceAll(pattern, "{name=", ""), "{parent=", "")
		if v := verb(bare); v != "" && collection(bare) == of {
			verbs = append(verbs, v)
		}
	}
	slices.Sort(verbs)
	return slices.Compact(verbs)
}

// verb is what a path ends in behind a colon, with it; "" for none.
func verb(path string) string {
	at := strings.LastIndex(path, ":")
	if at < strings.LastIndex(path, "/") {
		return ""
	}
	return path[max(at, 0):]
}

// collection is the beginning of a path, such as /v1/engines.
func collection(path string) string {
	parts := strings.SplitN(path, "/", 4)
	if len(parts) < 3 {
		return path
	}
	name, _, _ := strings.Cut(parts[2], ":")
	return "/" + parts[1] + "/" + strings.TrimSuffix(name, "}")
}
