package openapi_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/schema_validation"
	"github.com/pb33f/libopenapi/datamodel/high/base"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
	"github.com/pb33f/libopenapi/orderedmap"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	_ "coldsection.example/proto/coldsection/access/v1"      // the contract
	_ "coldsection.example/proto/coldsection/compliance/v1"  // the contract
	_ "coldsection.example/proto/coldsection/consumables/v1" // the contract
	_ "coldsection.example/proto/coldsection/operations/v1"  // the contract
	_ "coldsection.example/proto/coldsection/performance/v1" // the contract
	_ "coldsection.example/proto/coldsection/workorders/v1"  // the contract

	"coldsection.example/gateway/internal/openapi"
)

// A validator that others wrote reads the description as OpenAPI 3.1 and finds nothing wrong with it.
func TestTheDescriptionIsValid(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := libopenapi.NewDocument(text)
	if err != nil {
		t.Fatal(err)
	}
	if doc.GetVersion() != "3.1.0" {
		t.Errorf("version %s", doc.GetVersion())
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	if ok, found := v.ValidateDocument(); !ok {
		for _, e := range found {
			t.Errorf("%s: %s", e.Message, e.Reason)
			for _, s := range e.SchemaValidationErrors {
				t.Errorf("  %s: %s", s.KeywordLocation, s.Reason)
			}
		}
	}
}

// Every method that the contract maps to HTTP is described, with its refusals and a text.
func TestEveryMappedMethodIsDescribed(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]struct {
			OperationID string         `json:"operationId"`
			Description string         `json:"description"`
			Responses   map[string]any `json:"responses"`
		} `json:"paths"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	described := map[string]bool{}
	for path, methods := range doc.Paths {
		for method, o := range methods {
			if described[o.OperationID] {
				t.Errorf("%s is the id of two operations", o.OperationID)
			}
			described[o.OperationID] = true
			if o.Description == "" || o.Responses["default"] == nil {
				t.Errorf("%s %s has no text or no refusals", method, path)
			}
		}
	}
	for _, m := range mapped() {
		if !described[m] {
			t.Errorf("%s is not described", m)
		}
	}
	if len(described) < 100 {
		t.Errorf("only %d operations", len(described))
	}
}

// mapped are the operation ids of all methods with an HTTP path.
func mapped() []string {
	var ids []string
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for k := range s.Methods().Len() {
				if m := s.Methods().Get(k); strings.HasPrefix(string(f.Package()), "coldsection.") && proto.HasExtension(m.Options(), annotations.E_Http) {
					ids = append(ids, string(s.Name())+"_"+string(m.Name()))
				}
			}
		}
		return true
	})
	return ids
}

func TestTheFilesAreServed(t *testing.T) {
	mux := http.NewServeMux()
	if err := openapi.Register(mux); err != nil {
		t.Fatal(err)
	}
	for path, kind := range map[string]string{
		"/openapi.json": "application/json", "/reference": "text/html; charset=utf-8", "/reference.js": "text/javascript", "/proto.zip": "application/zip",
		"/changelog": "text/markdown; charset=utf-8",
	} {
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, http.NoBody))
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != kind || w.Body.Len() == 0 {
			t.Errorf("%s: %d %s, %d bytes", path, w.Code, w.Header().Get("Content-Type"), w.Body.Len())
		}
	}
}

// What is sent to others is described, too, under "webhooks" (OpenAPI 3.1, section 4.8.1).
func TestMessagesToOthersAreDescribed(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`"webhooks":{"fact":{"post":`, `"webhook-signature"`, `"application/cloudevents+json"`, `"application/cloudevents-batch+json"`, `"CloudEvent":{`,
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("%s is missing", want)
		}
	}
}

// A compiler of others builds the contract from the bundle's descriptors, and every file of the contract is there as text.
func TestTheBundleHoldsTheWholeContract(t *testing.T) {
	raw, err := openapi.Bundle()
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	set := &descriptorpb.FileDescriptorSet{}
	files := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name] = string(text)
	}
	if err := proto.Unmarshal([]byte(files["descriptors.binpb"]), set); err != nil {
		t.Fatal(err)
	}
	built, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range mapped() {
		service, method, _ := strings.Cut(id, "_")
		found := false
		built.RangeFiles(func(f protoreflect.FileDescriptor) bool {
			if s := f.Services().ByName(protoreflect.Name(service)); s != nil && s.Methods().ByName(protoreflect.Name(method)) != nil {
				found = strings.Contains(files[f.Path()], "rpc "+method+"(")
			}
			return !found
		})
		if !found {
			t.Errorf("%s is missing", id)
		}
	}
}

// Every operation and every schema of the contract has an example, and a validator that others wrote finds each true to its
// schema: an answer's against the answer, a request's against the request.
func TestEveryOperationAndSchemaHasAValidExample(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	raw, err := libopenapi.NewDocument(text)
	if err != nil {
		t.Fatal(err)
	}
	model, err := raw.BuildV3Model()
	if err != nil {
		t.Fatal(err)
	}
	valid := schema_validation.NewSchemaValidator()
	check := func(place string, schema *base.Schema, example decoder, has bool) {
		if !has {
			t.Errorf("%s has no example", place)
			return
		}
		if ok, wrong := valid.ValidateSchemaBytes(schema, asJSON(t, example)); !ok {
			t.Errorf("%s: %v", place, wrong[0].SchemaValidationErrors)
		}
	}
	for name, proxy := range model.Model.Components.Schemas.FromOldest() {
		if name != "Problem" && name != "CloudEvent" {
			check(name, proxy.Schema(), proxy.Schema().Example, proxy.Schema().Example != nil)
		}
	}
	examples := 0
	for path, item := range model.Model.Paths.PathItems.FromOldest() {
		for method, o := range item.GetOperations().FromOldest() {
			contents := []*orderedmap.Map[string, *v3.MediaType]{o.Responses.Codes.GetOrZero("200").Content}
			if o.RequestBody != nil {
				contents = append(contents, o.RequestBody.Content)
			}
			for _, content := range contents {
				if c := content.GetOrZero("application/json"); c != nil {
					check(method+" "+path, c.Schema.Schema(), c.Example, c.Example != nil)
					examples++
				}
			}
		}
	}
	if examples < 200 {
		t.Errorf("only %d examples of operations", examples)
	}
}

// decoder is a node of the document.
type decoder interface{ Decode(into any) error }

func asJSON(t *testing.T, n decoder) []byte {
	t.Helper()
	var value any
	if err := n.Decode(&value); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// The examples of requests are read as the contract reads requests.
func TestExamplesAreReadByTheContract(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Components struct {
			Schemas map[string]struct {
				Example json.RawMessage `json:"example"`
			} `json:"schemas"`
		} `json:"components"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	read := 0
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		for i := range f.Messages().Len() {
			m := f.Messages().Get(i)
			schema, described := doc.Components.Schemas[string(m.Name())]
			if name := string(f.Package().Parent().Name()) + "_" + string(m.Name()); doc.Components.Schemas[name].Example != nil {
				schema = doc.Components.Schemas[name] // another message has the short name
			}
			if !strings.HasPrefix(string(f.Package()), "coldsection.") || !described {
				continue
			}
			read++
			if err := protojson.Unmarshal(schema.Example, dynamicpb.NewMessage(m)); err != nil {
				t.Errorf("%s: %v: %s", m.Name(), err, schema.Example)
			}
		}
		return true
	})
	if read < 200 {
		t.Errorf("only %d examples were read", read)
	}
}
