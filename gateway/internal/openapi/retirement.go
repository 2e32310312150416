package openapi

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/gateway/internal/retirement"
)

// retire marks an operation, a parameter or a property as one that goes.
func retire(of node, n *retirement.Notice) {
	if of == nil || n == nil {
		return
	}
	of["deprecated"] = true
	text, _ := of["description"].(string)
	of["description"] = strings.TrimSpace(text + " " + n.Words())
}

// retireOperation marks an operation whose method goes, and says which headers its answers carry; parameters that go are marked too.
func retireOperation(operation node, m protoreflect.MethodDescriptor) {
	if n := retirement.OfMethod(m); n != nil {
		retire(operation, n)
		text := node{"type": "string"}
		headers := child(object(object(operation["responses"])["200"]), "headers")
		headers["Deprecation"] = node{"description": "Since when it is not to be used (RFC 9745).", "schema": text}
		if !n.Sunset.IsZero() {
			headers["Sunset"] = node{"description": "From when it may be missing (RFC 8594).", "schema": text}
		}
	}
	for _, p := range list(operation["parameters"]) {
		name, _ := object(p)["name"].(string)
		if f := m.Input().Fields().ByJSONName(name); f != nil {
			retire(object(p), retirement.OfField(f))
		}
	}
}

// retireFields marks the properties of a schema whose fields go.
func retireFields(schema node, m protoreflect.MessageDescriptor) {
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		retire(object(object(schema["properties"])[f.JSONName()]), retirement.OfField(f))
	}
}
