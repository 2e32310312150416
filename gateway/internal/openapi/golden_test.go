package openapi_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"

	"coldsection.example/gateway/internal/openapi"
)

// golden is the served description in lines that a change can be read from: one for each operation, schema and other part. A line says in words what
// clients rely on, and ends in a hash of everything, so that also a changed text or example shows.
const golden = "testdata/openapi.txt"

// Check API-16: the description that is served is the committed one. Whoever changes it writes the lines anew and reads what changed:
// COLDSECTION_TEST_WRITE=1 go test ./gateway/internal/openapi -run TestTheDescriptionIsTheCommittedOne.
func TestTheDescriptionIsTheCommittedOne(t *testing.T) {
	got := lines(t, served(t))
	if os.Getenv("COLDSECTION_TEST_WRITE") == "1" {
		if err := os.WriteFile(golden, []byte(strings.Join(got, "\n")+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	changed := 0
	for _, line := range slices.Concat(without(want, got, "- "), without(got, want, "+ ")) {
		if changed++; changed <= 40 {
			t.Error(line)
		}
	}
	if changed > 0 {
		t.Errorf("%d lines differ from %s. If that is meant, .ci/generate.sh writes them anew; commit the file", changed, golden)
	}
}

// Each kind of change shows in the lines, and names what it changed.
func TestEveryChangeOfTheDescriptionShows(t *testing.T) {
	before := lines(t, served(t))
	for place, change := range map[string]func(doc map[string]any){
		"get /v1/lots ": func(doc map[string]any) { delete(at(doc, "paths", "/v1/lots"), "get") },
		"post /v1/lots/{lot}:issue ": func(doc map[string]any) {
			at(doc, "paths", "/v1/lots/{lot}:issue", "post")["description"] = "another text"
		},
		"schema Lot ":                 func(doc map[string]any) { delete(at(doc, "components", "schemas", "Lot", "properties"), "useByDate") },
		"schema Problem ":             func(doc map[string]any) { at(doc, "components", "schemas", "Problem")["required"] = []any{} },
		"components.responses ":       func(doc map[string]any) { delete(at(doc, "components", "responses"), "Refused") },
		"components.securitySchemes ": func(doc map[string]any) { delete(at(doc, "components", "securitySchemes"), "session") },
		"webhooks ":                   func(doc map[string]any) { delete(at(doc, "webhooks"), "fact") },
		"info ":                       func(doc map[string]any) { at(doc, "info")["version"] = "2" },
	} {
		doc := served(t)
		change(doc)
		differ := without(before, lines(t, doc), "")
		if len(differ) != 1 || !strings.HasPrefix(differ[0], place) {
			t.Errorf("a change of %sshows as %v", place, differ)
		}
	}
}

// without are the lines that others lack, behind a mark.
func without(these, others []string, mark string) (differ []string) {
	known := map[string]bool{}
	for _, line := range others {
		known[line] = true
	}
	for _, line := range these {
		if !known[line] {
			differ = append(differ, mark+line)
		}
	}
	return differ
}

// served is the description as callers get it.
func served(t *testing.T) (doc map[string]any) {
	t.Helper()
	mux := http.NewServeMux()
	if err := openapi.Register(mux); err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/openapi.json", http.NoBody))
	if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

// at is an object within objects; one that is not there is empty.
func at(doc map[string]any, path ...string) map[string]any {
	for _, name := range path {
		doc, _ = doc[name].(map[string]any)
	}
	return doc
}

// lines are the description's parts in order.
func lines(t *testing.T, doc map[string]any) (out []string) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(doc)) {
		if name != "paths" && name != "components" {
			out = append(out, name+" "+hashed(t, doc[name]))
		}
	}
	components := at(doc, "components")
	for _, name := range slices.Sorted(maps.Keys(components)) {
		if name != "schemas" {
			out = append(out, fmt.Sprintf("components.%s %s %s", name, strings.Join(slices.Sorted(maps.Keys(at(components, name))), ","), hashed(t, components[name])))
		}
	}
	paths := at(doc, "paths")
	for _, path := range slices.Sorted(maps.Keys(paths)) {
		for _, verb := range slices.Sorted(maps.Keys(at(paths, path))) {
			o := at(paths, path, verb)
			out = append(out, fmt.Sprintf("%s %s %s %s", verb, path, operationInWords(o), hashed(t, o)))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(at(components, "schemas"))) {
		schema := at(components, "schemas", name)
		out = append(out, fmt.Sprintf("schema %s %s %s", name, schemaInWords(schema), hashed(t, schema)))
	}
	return out
}

// operationInWords is an operation's id, its parameters, what it takes and what it answers.
func operationInWords(o map[string]any) string {
	var words []string
	parameters, _ := o["parameters"].([]any)
	for _, each := range parameters {
		p, _ := each.(map[string]any)
		word := typeInWords(p)
		if p["$ref"] == nil {
			word = fmt.Sprintf("%v:%s", p["name"], typeInWords(at(p, "schema")))
		}
		if p["required"] == true {
			word += "!"
		}
		words = append(words, word)
	}
	takes := contentInWords(at(o, "requestBody", "content"))
	var answers []string
	for _, code := range slices.Sorted(maps.Keys(at(o, "responses"))) {
		answer := at(o, "responses", code)
		answers = append(answers, code+":"+strings.Trim(contentInWords(at(answer, "content"))+typeInWords(answer), "?"))
	}
	return fmt.Sprintf("%v (%s) %s-> %s", o["operationId"], strings.Join(words, " "), strings.TrimLeft(takes+" ", " "), strings.Join(answers, " "))
}

func contentInWords(content map[string]any) string {
	var kinds []string
	for _, kind := range slices.Sorted(maps.Keys(content)) {
		kinds = append(kinds, strings.TrimPrefix(kind, "application/")+"="+typeInWords(at(content, kind, "schema")))
	}
	return strings.Join(kinds, ",")
}

// schemaInWords are a schema's members with their types; required ones with a mark.
func schemaInWords(schema map[string]any) string {
	var words []string
	required, _ := schema["required"].([]any)
	properties := at(schema, "properties")
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		word := name + ":" + typeInWords(at(properties, name))
		if slices.Contains(required, any(name)) {
			word += "!"
		}
		words = append(words, word)
	}
	if len(properties) == 0 {
		return typeInWords(schema)
	}
	return "{" + strings.Join(words, " ") + "}"
}

// typeInWords is the type of a schema, or the name of what is meant; "?" when nothing is said.
func typeInWords(schema map[string]any) string {
	if ref, ok := schema["$ref"].(string); ok {
		return ref[strings.LastIndex(ref, "/")+1:]
	}
	if all, _ := schema["allOf"].([]any); len(all) > 0 {
		one, _ := all[0].(map[string]any)
		return typeInWords(one)
	}
	word, ok := schema["type"].(string)
	switch {
	case !ok:
		return "?"
	case word == "array":
		return typeInWords(at(schema, "items")) + "[]"
	case schema["enum"] != nil:
		values, _ := schema["enum"].([]any)
		return strings.Trim(strings.ReplaceAll(fmt.Sprint(values), " ", "|"), "[]")
	case schema["format"] != nil:
		return fmt.Sprintf("%s/%v", word, schema["format"])
	default:
		return word
	}
}

// hashed is a short hash of a part, whose members JSON writes in order.
func hashed(t *testing.T, part any) string {
	t.Helper()
	text, err := json.Marshal(part)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6])
}
