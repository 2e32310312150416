package openapi_test

import (
	"maps"
	"slices"
	"strings"
	"testing"
)

// Check API-16: the served description says how to sign in, what is sent to others, and of every operation an id of its own, an example of what it
// takes and answers, and that it refuses with a problem.
func TestTheDescriptionSaysWhatClientsNeed(t *testing.T) {
	doc := served(t)
	schemes := at(doc, "components", "securitySchemes")
	if got := slices.Sorted(maps.Keys(schemes)); !slices.Equal(got, []string{"console", "machine", "session"}) {
		t.Errorf("the ways to sign in are %v", got)
	}
	if flow := at(schemes, "machine", "flows", "clientCredentials"); flow["tokenUrl"] != "/oauth2/token" || at(flow, "scopes")["read"] == nil {
		t.Errorf("machines get their token by %v", flow)
	}
	if hook := at(doc, "webhooks", "fact", "post", "requestBody", "content", "application/cloudevents+json"); hook["example"] == nil {
		t.Errorf("what is sent to others is %v", hook)
	}
	refusal := at(doc, "components", "responses", "Refused", "content", "application/problem+json")
	if at(refusal, "schema")["$ref"] != "#/components/schemas/Problem" {
		t.Errorf("a refusal is %v", refusal)
	}
	problem := at(refusal, "example")
	for name := range at(doc, "components", "schemas", "Problem", "properties") {
		if problem[name] == nil {
			t.Errorf("the example of a refusal has no %s", name)
		}
	}
	ids := map[any]bool{}
	for path := range at(doc, "paths") {
		for verb := range at(doc, "paths", path) {
			o := at(doc, "paths", path, verb)
			if ids[o["operationId"]] || o["operationId"] == nil {
				t.Errorf("%s %s has the id %v", verb, path, o["operationId"])
			}
			ids[o["operationId"]] = true
			if at(o, "responses", "default")["$ref"] != "#/components/responses/Refused" {
				t.Errorf("%s %s does not say that it refuses with a problem", verb, path)
			}
			exemplified(t, verb+" "+path, at(o, "responses", "200", "content"))
			if body := at(o, "requestBody"); len(body) > 0 {
				if verb == "patch" {
					ref, _ := at(body, "content", "application/json", "schema")["$ref"].(string)
					if schema := at(doc, "components", "schemas", ref[strings.LastIndex(ref, "/")+1:]); schema["properties"] == nil || schema["required"] != nil {
						t.Errorf("%s %s asks for members that are not to be changed: %v", verb, path, schema["required"])
					}
				}
				exemplified(t, verb+" "+path+" takes", at(body, "content"))
			}
		}
	}
	if len(ids) < 300 {
		t.Errorf("only %d operations", len(ids))
	}
}

// exemplified asks a body for its example; files, which come as such, have one as JSON.
func exemplified(t *testing.T, what string, content map[string]any) {
	t.Helper()
	if len(content) == 0 {
		t.Errorf("%s: nothing is said of the body", what)
	}
	for kind := range content {
		if strings.Contains(kind, "json") && at(content, kind)["example"] == nil {
			t.Errorf("%s: %s has no example", what, kind)
		}
	}
}
