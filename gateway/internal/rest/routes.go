package rest

import (
	"context"
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/services/platform/fault"
)

// route is one HTTP mapping of a method: what its request is, and which part of it the query may bring.
type route struct {
	input protoreflect.MessageDescriptor
	path  []string // fields that the path brings, such as account.name
	body  string   // the field that the body brings, "*" for all
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
				out[method+" "+path] = route{input: m.Input(), path: variables(path), body: r.GetBody()}
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

// takes says whether a query parameter, such as pageSize or page_size, names a field that neither path nor body brings.
func (t route) takes(parameter string) bool {
	if t.input == nil || t.body == "*" {
		return false
	}
	message, path := t.input, []string{}
	for name := range strings.SplitSeq(parameter, ".") {
		if message == nil {
			return false
		}
		field := message.Fields().ByJSONName(name)
		if field == nil {
			field = message.Fields().ByName(protoreflect.Name(name))
		}
		if field == nil {
			return false
		}
		path, message = append(path, string(field.Name())), field.Message()
	}
	for _, taken := range append([]string{t.body}, t.path...) {
		if path[0] == taken || strings.Join(path, ".") == taken {
			return false
		}
	}
	return true
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
func refuseRoute(_ context.Context, mux *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, _ int) {
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
		}
	}
	if len(allowed) == 0 {
		Refuse(w, fault.New(fault.NotFound, "PATH_UNKNOWN", "There is no such path. See the API's description."))
		return
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	Refuse(w, fault.New(fault.Unimplemented, "METHOD_NOT_ALLOWED", "This path takes %s and not %s. See the API's description.",
		strings.Join(allowed, ", "), r.Method))
}
