package scenarios

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/services/suite/story"
)

// A client that a public generator makes of the served description compiles as a whole, and tells a story on the suite: a list,
// what it creates, a verb, a refusal and pages.
func TestAGeneratedClient(t *testing.T) {
	if _, err := exec.LookPath("oapi-codegen"); err != nil {
		t.Fatal("oapi-codegen is missing: run .ci/tools.sh oapi-codegen, with .bin in the PATH")
	}
	stage, _ := retold(t)
	dir := t.TempDir()
	description, code := filepath.Join(dir, "openapi.json"), filepath.Join(dir, "client.gen.go")
	if err := os.WriteFile(description, []byte(fetch(t, stage.URL("/openapi.json"))), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, "oapi-codegen", "-package", "client", "-generate", "types,client", "-o", code, description)
	place, err := filepath.Abs("../generated/client/client.gen.go")
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(map[string]any{"Replace": map[string]string{place: code}})
	if err != nil {
		t.Fatal(err)
	}
	overlay, program := filepath.Join(dir, "overlay.json"), filepath.Join(dir, "program")
	if err := os.WriteFile(overlay, text, 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, "go", "build", "-overlay", overlay, "-tags", "generated", "-o", program, "../generated")
	if told := command(t, program, stage.URL(""), "stores", story.Password); !strings.Contains(told, "told") {
		t.Errorf("the generated client said %q", told)
	}
}

// command runs a program and returns what it prints.
func command(t *testing.T, program string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", program, err, out)
	}
	return string(out)
}
