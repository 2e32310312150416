package openapi

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// deepest is how far examples go into messages within messages.
const deepest = 5

// example is an invented value of a message, as JSON has it, made from the fields' types, behaviours and names: for
// demonstration only. Fields with this behaviour are left out, unless it is unspecified.
type example struct{ without annotations.FieldBehavior }

// message gives every field a value; of a oneof the first.
func (e example) message(m protoreflect.MessageDescriptor, above ...protoreflect.FullName) any {
	if v, ok := known[m.FullName()]; ok {
		return v
	}
	out := node{}
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		if e.without != annotations.FieldBehavior_FIELD_BEHAVIOR_UNSPECIFIED && behaves(f, e.without) {
			continue
		}
		if o := f.ContainingOneof(); o != nil && !o.IsSynthetic() && o.Fields().Get(0) != f {
			continue
		}
		if inner := f.Message(); inner != nil && known[inner.FullName()] == nil &&
			(slices.Contains(above, inner.FullName()) || inner == m || len(above) >= deepest) && !behaves(f, annotations.FieldBehavior_REQUIRED) {
			continue
		}
		out[f.JSONName()] = e.field(f, append(above, m.FullName()))
	}
	return out
}

func (e example) field(f protoreflect.FieldDescriptor, above []protoreflect.FullName) any {
	if f.IsMap() {
		return node{"demonstration": "only"}
	}
	var v any
	if f.Message() != nil {
		v = e.message(f.Message(), above...)
	} else {
		v = scalar(f)
	}
	if f.IsList() {
		return []any{v}
	}
	return v
}

// known are values of the types that JSON writes in a form of their own.
var known = map[protoreflect.FullName]any{
	"google.protobuf.Timestamp": "2026-03-01T08:00:00Z", "google.protobuf.Duration": "3600s", "google.protobuf.FieldMask": "displayName",
	"google.protobuf.Struct": node{"demonstration": "only"}, "google.protobuf.Empty": node{},
	"google.protobuf.Any": node{"@type": "type.googleapis.com/coldsection.operations.v1.OperationMetadata", "kind": "readings.import", "state": "RUNNING"},
	"google.type.Date":    node{"year": 2026, "month": 3, "day": 1},
}

// scalar is a value of a field that is no message.
func scalar(f protoreflect.FieldDescriptor) any {
	switch f.Kind() {
	case protoreflect.EnumKind:
		return string(f.Enum().Values().Get(min(1, f.Enum().Values().Len()-1)).Name())
	case protoreflect.BoolKind:
		return true
	case protoreflect.BytesKind:
		return "ZGVtb25zdHJhdGlvbiBvbmx5"
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return 12.5
	case protoreflect.Int64Kind, protoreflect.Uint64Kind, protoreflect.Sint64Kind, protoreflect.Fixed64Kind, protoreflect.Sfixed64Kind:
		return "3"
	case protoreflect.StringKind:
		return word(f)
	default:
		return 3
	}
}

// words are values of texts by the end of their field's name.
var words = []struct{ suffix, value string }{
	{"etag", "v1"}, {"currency_code", "EUR"}, {"unit_code", "L"}, {"value", "3.8"}, {"page_token", ""}, {"cursor", "00000000000000000042"},
	{"sequence", "00000000000000000042"}, {"url", "https://erp.example/facts"}, {"request_id", "6f1c1a52-5c3e-4b7e-9a40-0c4b8d1f2a11"},
	{"login", "planner"}, {"password", "a long passphrase"}, {"sha256", strings.Repeat("0a", 32)}, {"media_type", "text/csv"},
	{"file_name", "demonstration.csv"}, {"time_zone", "Europe/Oslo"}, {"reason", "demonstration only"}, {"order_by", "name"}, {"types", "coldsection.stock.*"},
	{"event_type", "coldsection.stock.issued.v1"}, {"station", "stations/demo"},
}

// word is a value of a text: a resource's name by its pattern, the name that a reference is to, or a word by the field's name.
func word(f protoreflect.FieldDescriptor) string {
	if own, ok := proto.GetExtension(f.ContainingMessage().Options(), annotations.E_Resource).(*annotations.ResourceDescriptor); ok &&
		f.Name() == "name" && len(own.GetPattern()) > 0 {
		return named(own.GetPattern()[0])
	}
	if to, ok := proto.GetExtension(f.Options(), annotations.E_ResourceReference).(*annotations.ResourceReference); ok && to != nil {
		if pattern := patterns()[to.GetType()+to.GetChildType()]; pattern != "" {
			return named(pattern)
		}
	}
	for _, w := range words {
		if strings.HasSuffix(string(f.Name()), w.suffix) {
			return w.value
		}
	}
	return "demonstration only"
}

// named is a name of a pattern: "lots/demo" of "lots/{lot}".
func named(pattern string) string {
	parts := strings.Split(pattern, "/")
	for i, p := range parts {
		if strings.HasPrefix(p, "{") {
			parts[i] = "demo"
		}
	}
	return strings.Join(parts, "/")
}

func behaves(f protoreflect.FieldDescriptor, as annotations.FieldBehavior) bool {
	all, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, as)
}
