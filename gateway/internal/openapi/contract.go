package openapi

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/anypb"
)

// What the descriptors say and the generator leaves out or gets wrong is put right here: dates are objects, names that the
// path brings are not asked for in the body, files come as such, and everything has an example.

// each calls fn for every file of the contract.
func each(fn func(protoreflect.FileDescriptor)) {
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if strings.HasPrefix(string(f.Package()), "coldsection.") {
			fn(f)
		}
		return true
	})
}

// contractMethods are the contract's methods by their operation ids.
var contractMethods = sync.OnceValue(func() map[string]protoreflect.MethodDescriptor {
	out := map[string]protoreflect.MethodDescriptor{}
	each(func(f protoreflect.FileDescriptor) {
		for i := range f.Services().Len() {
			service := f.Services().Get(i)
			for k := range service.Methods().Len() {
				m := service.Methods().Get(k)
				out[string(service.Name())+"_"+string(m.Name())] = m
			}
		}
	})
	return out
})

// messages are the contract's messages by the names of their schemas. The generator names schemas without the package and
// describes the first of those with the same name; the others get their package in front.
var messages = sync.OnceValue(func() map[string]protoreflect.MessageDescriptor {
	out := map[string]protoreflect.MessageDescriptor{}
	var add func(prefix string, list protoreflect.MessageDescriptors)
	add = func(prefix string, list protoreflect.MessageDescriptors) {
		for i := range list.Len() {
			m := list.Get(i)
			name := prefix + string(m.Name())
			if out[name] != nil {
				name = string(m.ParentFile().Package().Parent().Name()) + "_" + name
			}
			out[name] = m
			add(prefix+string(m.Name())+"_", m.Messages())
		}
	}
	var all []protoreflect.FileDescriptor
	each(func(f protoreflect.FileDescriptor) { all = append(all, f) })
	slices.SortFunc(all, func(a, b protoreflect.FileDescriptor) int { return strings.Compare(a.Path(), b.Path()) })
	for _, f := range all {
		add("", f.Messages())
	}
	for _, m := range []proto.Message{&longrunningpb.Operation{}, &status.Status{}, &anypb.Any{}} { // others' messages that answers are made of
		name := string(m.ProtoReflect().Descriptor().Name())
		if name == "Any" {
			name = "GoogleProtobufAny"
		}
		out[name] = m.ProtoReflect().Descriptor()
	}
	return out
})

// schemaNames are the names of messages' schemas.
var schemaNames = sync.OnceValue(func() map[protoreflect.FullName]string {
	out := map[protoreflect.FullName]string{}
	for name, m := range messages() {
		out[m.FullName()] = name
	}
	return out
})

// patterns are the patterns of resources' names by their types.
var patterns = sync.OnceValue(func() map[string]string {
	out := map[string]string{}
	for _, m := range messages() {
		if r, ok := proto.GetExtension(m.Options(), annotations.E_Resource).(*annotations.ResourceDescriptor); ok && len(r.GetPattern()) > 0 {
			out[r.GetType()] = r.GetPattern()[0]
		}
	}
	return out
})

// date is the schema of a day of the calendar.
func date() node {
	return node{
		"type": "object", "description": "A day of the calendar.", "example": known["google.type.Date"],
		"properties": node{"year": node{"type": "integer"}, "month": node{"type": "integer"}, "day": node{"type": "integer"}},
	}
}

// describeSchemas puts the schemas of the contract's messages right and gives each an example.
func describeSchemas(schemas node) {
	for name, m := range messages() {
		if object(schemas[name]) == nil && object(schemas[string(m.Name())]) != nil && strings.HasSuffix(name, "_"+string(m.Name())) {
			schemas[name] = schemaOf(m)
		}
	}
	for name, m := range messages() {
		schema := object(schemas[name])
		if schema == nil {
			continue
		}
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			if property := object(object(schema["properties"])[f.JSONName()]); f.Message() != nil && property != nil {
				refer(property, f.Message())
			}
		}
		retireFields(schema, m)
		schema["example"] = example{}.message(m)
	}
	schemas["Date"] = date()
	models := object(object(object(schemas["ListEngineModelsResponse"])["properties"])["engineModels"])
	models["items"] = partial(schemas, "EngineModel") // without its baseline, which a new one must have
}

// schemaOf describes a message that the generator left out.
func schemaOf(m protoreflect.MessageDescriptor) node {
	properties := node{}
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		property := node{"type": "string"}
		switch f.Kind() {
		case protoreflect.BoolKind:
			property = node{"type": "boolean"}
		case protoreflect.Int32Kind, protoreflect.Uint32Kind, protoreflect.Sint32Kind:
			property = node{"type": "integer", "format": "int32"}
		case protoreflect.DoubleKind, protoreflect.FloatKind:
			property = node{"type": "number", "format": "double"}
		case protoreflect.MessageKind:
			property = node{"allOf": []any{node{"$ref": "#/components/schemas/" + schemaNames()[f.Message().FullName()]}}}
		default: // texts, and whole numbers of 64 bits, which JSON has as texts
		}
		if f.IsList() {
			property = node{"type": "array", "items": property}
		}
		properties[f.JSONName()] = property
	}
	return node{"type": "object", "properties": properties}
}

// refer points a property, or the items of one, to the schema of its message, where the generator does so wrongly.
func refer(property node, m protoreflect.MessageDescriptor) {
	if items := object(property["items"]); items != nil {
		property = items
	}
	switch name := schemaNames()[m.FullName()]; {
	case m.FullName() == "google.type.Date":
		delete(property, "format")
		name = "Date"
		fallthrough
	case name != "" && name != string(m.Name()) && m.Parent() == m.ParentFile():
		delete(property, "type")
		delete(property, "$ref")
		property["allOf"] = []any{node{"$ref": "#/components/schemas/" + name}}
	default:
	}
}

// partial is the schema of a resource of which any member may be left out: what a change sends, and what a list shows.
func partial(schemas node, name string) node {
	known := "Partial" + name
	if schemas[known] == nil {
		whole := maps.Clone(object(schemas[name]))
		delete(whole, "required")
		said, _ := whole["description"].(string)
		whole["description"] = strings.TrimSpace(said + " Any member may be left out.")
		schemas[known] = whole
	}
	return node{"$ref": "#/components/schemas/" + known}
}

var variable = regexp.MustCompile(`\{([a-z_]+)=`)

// describeOperation says of one operation what its request and answer look like, with an example of each.
func describeOperation(schemas, operation node, m protoreflect.MethodDescriptor) {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	if body := content(object(operation["requestBody"])); body != nil {
		input := m.Input()
		if f := input.Fields().ByName(protoreflect.Name(rule.GetBody())); f != nil {
			input = f.Message()
		}
		sent, _ := example{annotations.FieldBehavior_OUTPUT_ONLY}.message(input).(node)
		if rule.GetBody() == "*" {
			for _, taken := range variable.FindAllStringSubmatch(rule.GetPost(), -1) {
				delete(sent, taken[1])
				brought(object(schemas[string(input.Name())]), taken[1])
			}
		}
		body["example"] = sent
		if rule.GetPatch() != "" {
			body["schema"] = partial(schemas, string(input.Name()))
		}
	}
	answer := object(object(operation["responses"])["200"])
	if m.Output().FullName() == "google.protobuf.Empty" { // the generator says nothing of it
		child(answer, "content")["application/json"] = node{"schema": node{"type": "object", "description": "Nothing."}}
	}
	if body := content(answer); body != nil {
		body["example"] = example{annotations.FieldBehavior_INPUT_ONLY}.message(m.Output())
	}
	for _, kind := range files[m.Output().Name()] {
		child(answer, "content")[kind] = node{"schema": node{"type": "string", "contentMediaType": kind}}
	}
}

// binding says which of the paths that a method has one is, from 0 for the first.
func binding(path string, m protoreflect.MethodDescriptor) int {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	for i, b := range rule.GetAdditionalBindings() {
		template := spanning.ReplaceAllString(b.GetGet()+b.GetPost()+b.GetPatch()+b.GetDelete(), "$1")
		if template == anything.ReplaceAllString(path, "*") {
			return i + 1
		}
	}
	return 0
}

// spanning is a variable of a path with what it spans, and anything is a part of a path that varies.
var (
	spanning = regexp.MustCompile(`\{[a-z_.]+=([^}]*)\}`)
	anything = regexp.MustCompile(`\{[^}]*\}`)
)

// files are the media types of answers that hold a file, which comes as such unless JSON is asked for.
var files = map[protoreflect.Name][]string{
	"ExportStockResponse":            append([]string{"text/plain; charset=utf-8"}, sheets...),
	"ExportReadingsResponse":         sheets,
	"RenderTrendResponse":            drawings,
	"RenderExceedanceResponse":       drawings,
	"RenderEngineExceedanceResponse": drawings,
	"ExportWorkPackResponse":         {"application/pdf"},
}

var drawings = []string{"image/svg+xml", "image/png"}

var sheets = []string{
	"text/csv; charset=utf-8; header=present", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "application/vnd.apache.parquet",
}

// content is the JSON content of a request or an answer.
func content(of node) node { return object(object(of["content"])["application/json"]) }

// brought takes a field that the path brings out of the schema of a body.
func brought(schema node, field string) {
	delete(object(schema["properties"]), field)
	example := maps.Clone(object(schema["example"]))
	delete(example, field)
	schema["example"] = example
	var left []any
	for _, name := range list(schema["required"]) {
		if name != field {
			left = append(left, name)
		}
	}
	delete(schema, "required")
	if len(left) > 0 {
		schema["required"] = left
	}
}

func list(v any) []any {
	l, _ := v.([]any)
	return l
}
