// Package openapi describes the REST API as OpenAPI 3.1, generated from the contract, with what the generator leaves out:
// how to sign in, how refusals look, and the headers of every change.
package openapi

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"sync"

	"github.com/goccy/go-yaml"

	"coldsection.example/gateway/internal/units"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/quantity"
)

//go:embed openapi.yaml
var generated []byte

//go:embed page.html
var page []byte

//go:embed page.js
var script []byte

//go:embed changelog.md
var changelog []byte

// node is a JSON object.
type node = map[string]any

// Document is the description as JSON.
var Document = sync.OnceValues(func() ([]byte, error) {
	var doc node
	if err := yaml.Unmarshal(generated, &doc); err != nil {
		return nil, fmt.Errorf("the generated description: %w", err)
	}
	doc["openapi"] = "3.1.0"
	info := child(doc, "info")
	info["description"] = fmt.Sprint(info["description"], " ", times(), " ", lists())
	doc["servers"] = []any{node{"url": "/"}}
	doc["security"] = []any{node{"session": []any{}}, node{"machine": []any{}}, node{"console": []any{}}}
	components := child(doc, "components")
	components["securitySchemes"] = signingIn()
	schemas := child(components, "schemas")
	describeSchemas(schemas)
	child(components, "schemas")["Problem"] = problem()
	child(components, "schemas")["CloudEvent"] = cloudEvent()
	doc["webhooks"] = hooks()
	components["responses"] = node{"Refused": node{
		"description": "Refused; the detail names the thing, the rule and the next move.",
		"content":     node{"application/problem+json": node{"schema": node{"$ref": "#/components/schemas/Problem"}, "example": exampleProblem()}},
	}}
	components["parameters"] = node{"IdempotencyKey": node{
		"name": "Idempotency-Key", "in": "header", "schema": node{"type": "string", "maxLength": 128},
		"description": "The same key with the same request gets the first answer for 90 days.",
	}, "Units": node{
		"name": units.Header, "in": "header", "schema": node{"type": "string", "enum": []any{string(quantity.SI), string(quantity.US)}},
		"description": "The unit system in which the answer carries its amounts a second time, in the fields \"converted\"; without it, the system that " +
			"the account chose. The amounts beside them stay as they were entered or computed. A number whose unit is in its name, such as ittC or " +
			"fuelFlowKgH, is in that unit always: it is what calculations take and give.",
	}}
	components["headers"] = node{replayed: node{
		"schema": node{"type": "string", "enum": []any{"true"}}, "description": "Stands in an answer to a key that came before with the same request: what it asks " +
			"for was done then, and is not done again. The secret of an API key is not kept, so that CreateApiKey gives the key a new one, and the one before stops working.",
	}}
	for path, operations := range child(doc, "paths") {
		for method, operation := range object(operations) {
			o := object(operation)
			complete(path, method, o)
			if id, _ := o["operationId"].(string); contractMethods()[id] != nil {
				describeOperation(schemas, o, contractMethods()[id])
				retireOperation(o, contractMethods()[id])
				if units.Carries(contractMethods()[id].Output()) {
					takes(o, "Units")
				}
				if i := binding(path, contractMethods()[id]); i > 0 {
					o["operationId"] = fmt.Sprintf("%s_%d", id, i+1) // another path of the same method
				}
			}
		}
	}
	answer := child(child(child(child(child(doc, "paths"), "/v1/events"), "get"), "responses"), "200")
	child(answer, "content")["application/cloudevents-batch+json"] = node{
		"schema": node{"type": "array", "items": node{"$ref": "#/components/schemas/CloudEvent"}}, "example": []any{exampleEvent()},
	}
	return json.Marshal(doc)
})

// times is what every day and time of the contract has in common.
func times() string {
	return fmt.Sprintf("Times are RFC 3339 with a zone: an offset is taken and turned into UTC, and answers are in UTC (Z). The offset itself is not kept; "+
		"where the local day or hour counts, the place says its own timeZone. Days and times of the years %d to %d are taken; leave a field out where none "+
		"is known.", clock.FirstYear, clock.LastYear)
}

// lists is how every list is asked.
func lists() string {
	return fmt.Sprintf("Lists take a filter (a part of AIP-160): comparisons of a field with a value by = != < <= > >= and \":\" (has; in a text: contains, whatever the case), "+
		"joined by AND, OR and NOT in capitals, and parentheses. OR binds tighter than AND: \"a = 1 AND b = 2 OR b = 3\" is \"a = 1 AND (b = 2 OR b = 3)\". "+
		"Texts with spaces or signs, and times, stand in quotes: create_time > \"2026-03-01T08:00:00Z\". \"field:*\" is not empty; = compares the whole text and has no "+
		"wildcards. A field is spelt use_by_date or useByDate, and each list says which there are, also to order by. A day or time that is not set stands before every "+
		"other; AND use_by_date:* leaves it out. A pageToken is good for the same request of the same caller, for %d days; only pageSize may change between pages.",
		int(listing.TokenLife.Hours())/24)
}

// complete adds to an operation what every operation has.
func complete(path, method string, operation node) {
	child(operation, "responses")["default"] = node{"$ref": "#/components/responses/Refused"}
	if path == "/v1/sessions:signIn" || path == "/v1/invitations:accept" {
		operation["security"] = []any{}
	}
	if method != "get" {
		takes(operation, "IdempotencyKey")
		child(child(child(operation, "responses"), "200"), "headers")[replayed] = node{"$ref": "#/components/headers/" + replayed}
	}
}

// replayed is the header of an answer that was given before.
const replayed = "Idempotency-Replayed"

// takes adds a parameter of the components to an operation.
func takes(operation node, parameter string) {
	parameters, _ := operation["parameters"].([]any)
	operation["parameters"] = append(parameters, node{"$ref": "#/components/parameters/" + parameter})
}

func object(v any) node {
	n, _ := v.(node)
	return n
}

// child is a member that is an object, made when it is missing.
func child(n node, name string) node {
	c := object(n[name])
	if c == nil {
		c = node{}
		n[name] = c
	}
	return c
}

// Register serves the description at /openapi.json, a page made of it at /reference, which needs nothing from elsewhere,
// the contract for gRPC clients at /proto.zip, and what was added to it since its release at /changelog.
func Register(mux *http.ServeMux) error {
	doc, err := Document()
	if err != nil {
		return err
	}
	bundle, err := Bundle()
	if err != nil {
		return err
	}
	files := map[string]struct {
		kind string
		text []byte
	}{
		"/openapi.json": {"application/json", doc}, "/reference": {"text/html; charset=utf-8", page}, "/reference.js": {"text/javascript", script},
		"/proto.zip": {"application/zip", bundle}, "/changelog": {"text/markdown; charset=utf-8", changelog},
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		file := files[path]
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", file.kind)
			w.Header().Set("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'")
			w.Header().Set("X-Content-Type-Options", "nosniff")
			_, _ = w.Write(file.text) // a caller who left needs no answer
		})
	}
	return nil
}
