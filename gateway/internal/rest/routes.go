package rest

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/gateway/internal/retirement"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// route is one HTTP mapping of a method: what its request is, and which part of it the query may bring.
type route struct {
	input protoreflect.MessageDescriptor
	path  []string // fields that the path brings, such as account.name
	body  string   // the field that the body brings, "*" for all
	goes  *retirement.Notice
}

// routesOf reads the mappings of the whole contract, by HTTP method and path, such as "GET /v1/{name=items/*}".
func routesOf() map[string]route {
	out := map[string]route{}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				addRoutes(out, methods.Get(j))
			}
		}
		return true
	})
	return out
}

func addRoutes(out map[string]route, m protoreflect.MethodDescriptor) {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	for _, r := range append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...) {
		for method, path := range map[string]string{
			http.MethodGet: r.GetGet(), http.MethodPost: r.GetPost(), http.MethodPatch: r.GetPatch(), http.MethodDelete: r.GetDelete(),
			http.MethodPut: r.GetPut(),
		} {
			if path != "" {
				out[method+" "+path] = route{input: m.Input(), path: variables(path), body: r.GetBody(), goes: retirement.OfMethod(m)}
			}
		}
	}
}

// variables are the fields that a path brings: "account.name" of "/v1/{account.name=accounts/*}".
func variables(path string) []string {
	var out []string
	for part := range strings.SplitSeq(path, "{") {
		if name, _, ok := strings.Cut(part, "="); ok {
			out = append(out, name)
		}
	}
	return out
}

// field is a field of a message by its name in JSON or in the contract; nil when there is none.
func field(m protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if m == nil {
		return nil
	}
	if f := m.Fields().ByJSONName(name); f != nil {
		return f
	}
	return m.Fields().ByName(protoreflect.Name(name))
}

// named are the fields along a query parameter, such as pageSize or interval.start_time; none when it names no field.
func (t route) named(parameter string) (fields []protoreflect.FieldDescriptor) {
	message := t.input
	for name := range strings.SplitSeq(parameter, ".") {
		f := field(message, name)
		if f == nil {
			return nil
		}
		fields, message = append(fields, f), f.Message()
	}
	return fields
}

// takes says whether a query parameter, such as pageSize or page_size, names a field that neither path nor body brings.
func (t route) takes(parameter string) bool {
	fields := t.named(parameter)
	if len(fields) == 0 || t.body == "*" {
		return false
	}
	path := make([]string, 0, len(fields))
	for _, f := range fields {
		path = append(path, string(f.Name()))
	}
	for _, taken := range append([]string{t.body}, t.path...) {
		if path[0] == taken || strings.Join(path, ".") == taken {
			return false
		}
	}
	return true
}

// fileBody is how many bytes a body may have that carries a file: 16 MiB are 21.3 MiB in base64.
const fileBody = 22 << 20

// largest is how many bytes the body of a request may have.
func (t route) largest() int64 {
	if t.input == nil || rpc.Largest(t.input) == rpc.PlainRequest {
		return rpc.PlainRequest
	}
	return fileBody
}

// tell writes into the headers of an answer that the method goes, or a field that the request brings.
func (t route) tell(h http.Header, query url.Values, body []byte) {
	t.goes.Set(h)
	for parameter := range query {
		for _, f := range t.named(parameter) {
			retirement.OfField(f).Set(h)
		}
	}
	message := t.input
	if t.body != "*" {
		if f := field(t.input, t.body); f != nil {
			message = f.Message()
		}
	}
	var value any
	if len(body) > 0 && t.body != "" && json.Unmarshal(body, &value) == nil {
		tellFields(h, message, value)
	}
}

// tellFields writes of the fields of a body, and of those inside of them.
func tellFields(h http.Header, m protoreflect.MessageDescriptor, value any) {
	switch value := value.(type) {
	case []any:
		for _, one := range value {
			tellFields(h, m, one)
		}
	case map[string]any:
		for name, inner := range value {
			if f := field(m, name); f != nil {
				retirement.OfField(f).Set(h)
				tellFields(h, f.Message(), inner)
			}
		}
	}
}

// probing marks a request that only asks whether its path takes its method.
type probing struct{}

// nobody reads what is answered.
type nobody struct{}

// Header is written and thrown away.
func (nobody) Header() http.Header { return http.Header{} }

// Write throws the body away.
func (nobody) Write(b []byte) (int, error) { return len(b), nil }

// WriteHeader throws the status away.
func (nobody) WriteHeader(int) {}

// refuseRoute refuses a path that is not there, or says which methods it takes. Reasons: PATH_UNKNOWN, METHOD_NOT_ALLOWED.
func (t reader) refuseRoute(_ context.Context, mux *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, _ int) {
	if r.Context().Value(probing{}) != nil {
		return
	}
	var allowed []string
	for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodPatch, http.MethodPut, http.MethodDelete} {
		found := false
		asked := r.Clone(context.WithValue(r.Context(), probing{}, &found))
		asked.Method = method
		mux.ServeHTTP(nobody{}, asked)
		if found {
			allowed = append(allowed, method)
			if method == http.MethodGet {
				allowed = append(allowed, http.MethodHead)
			}
		}
	}
	if len(allowed) == 0 {
		Refuse(w, t.unknownPath(r.URL.Path))
		return
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	Refuse(w, fault.New(fault.Unimplemented, "METHOD_NOT_ALLOWED", "This path takes %s and not %s. Use one of them; /reference says what each does.",
		strings.Join(allowed, ", "), r.Method))
}
