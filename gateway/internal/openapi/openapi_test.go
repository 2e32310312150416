package openapi_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "coldsection.example/proto/coldsection/access/v1"      // the contract
	_ "coldsection.example/proto/coldsection/compliance/v1"  // the contract
	_ "coldsection.example/proto/coldsection/consumables/v1" // the contract
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
	for path, kind := range map[string]string{"/openapi.json": "application/json", "/reference": "text/html; charset=utf-8", "/reference.js": "text/javascript"} {
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, http.NoBody))
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != kind || w.Body.Len() == 0 {
			t.Errorf("%s: %d %s, %d bytes", path, w.Code, w.Header().Get("Content-Type"), w.Body.Len())
		}
	}
}
