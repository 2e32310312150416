package openapi_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/gateway/internal/openapi"
)

// left is what the linter says of things that are meant so, each with its reason.
var left = map[string]string{
	"URL parameter `pageToken`": "a place in a list, bound to its query and caller; it opens nothing",
	"URL parameter `apiKey`":    "the last part of a key's name, not its secret",
	"server URL `/`":            "who serves the description serves what it describes, at an address that is not known here",
	`server url "/"`:            "the same",
}

// A linter that others wrote finds nothing else in the description by its recommended rules.
func TestALinterFindsNothing(t *testing.T) {
	text, err := openapi.Document()
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, line := range lint(t, text) {
		known := false
		for said := range left {
			if strings.Contains(line, said) {
				known, used[said] = true, true
			}
		}
		if !known {
			t.Error(line)
		}
	}
	for said := range left {
		if !used[said] {
			t.Errorf("the linter says nothing of %s any more; strike it from the list", said)
		}
	}
}

// The linter finds something where there is something: a path whose variable nothing declares.
func TestTheLinterCanFindSomething(t *testing.T) {
	found := strings.Join(lint(t, []byte(`{"openapi":"3.1.0","info":{"title":"t","version":"1"},"paths":{"/a/{b}":{"get":{"operationId":"x",`+
		`"responses":{"200":{"description":"ok"}}}}}}`)), "\n")
	if !strings.Contains(found, "semantic-path-params") {
		t.Errorf("found %s", found)
	}
}

// lint returns what the linter says of a description.
func lint(t *testing.T, text []byte) []string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "openapi.json")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	run := exec.CommandContext(t.Context(), "go", "run", ".", path)
	run.Dir = "../../../.ci/tools/oaslint"
	out, err := run.Output()
	if err != nil {
		t.Fatalf("the linter: %v\n%s", err, out)
	}
	return strings.FieldsFunc(string(out), func(r rune) bool { return r == '\n' })
}
