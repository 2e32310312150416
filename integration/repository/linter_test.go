package repository

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// offences are files that the linter must refuse, each with the words that it must use. They are the proof that the
// configuration's rules can fail.
var offences = []struct{ path, text, refusal string }{
	{"proto/bad/bad.go", importing("coldsection.example/gateway"), "the contract imports no part of the suite"},
	{"services/platform/bad/bad.go", importing("coldsection.example/services/consumables"), "platform imports no service"},
	{"services/platform/badgate/bad.go", importing("coldsection.example/gateway"), "platform does not import the gateway"},
	{"gateway/bad/bad.go", importing("coldsection.example/services/workorders"), "the gateway imports no service"},
	{"services/consumables/bad/bad.go", importing("coldsection.example/services/workorders"), "no service imports another one"},
	{"services/workorders/bad/bad.go", importing("coldsection.example/services/consumables"), "no service imports another one"},
	{"services/performance/bad/bad.go", importing("coldsection.example/services/consumables"), "no service imports another one"},
	{"services/compliance/bad/bad.go", importing("coldsection.example/services/consumables"), "no service imports another one"},
	{"services/consumables/badgate/bad.go", importing("coldsection.example/gateway"), "no service imports the gateway"},
	{"services/consumables/internal/stock/bad.go", importing("database/sql"), "a core keeps nothing"},
	{"services/consumables/internal/stock/deep/bad.go", importing("context"), "nothing in it can be cancelled"},
	{"services/workorders/internal/plan/bad.go", importing("google.golang.org/grpc/codes"), "a core knows no transport"},
	{"services/workorders/internal/gates/bad.go", importing("google.golang.org/protobuf/proto"), "a core knows no wire format"},
	{"services/performance/internal/gas/bad.go", importing("github.com/nats-io/nats.go"), "a core publishes nothing"},
	{"services/compliance/internal/due/bad.go", importing("coldsection.example/services/platform/clock"), "fault and quantity only"},
	{"services/compliance/internal/app/bad.go", importing("database/sql"), "use cases name a small interface"},
	{"services/compliance/internal/store/bad.go", importing("modernc.org/sqlite"), "use platform/storage"},
	{"gateway/badbus/bad.go", importing("github.com/nats-io/nats.go"), "use platform/eventbus"},
	{"gateway/badlog/bad.go", importing("log"), "use log/slog"},
	{"gateway/badtest/bad.go", importing("math/rand"), "use math/rand/v2"},
	{"gateway/badhelp/bad.go", importing("testing"), "only tests and packages named"},
	{"gateway/badtime/bad.go", "package bad\n\nimport \"time\"\n\nvar X = time.Now()\n", "only services/platform/clock reads the time of day"},
	{"gateway/badprint/bad.go", "package bad\n\nimport \"fmt\"\n\nfunc F() { fmt.Println() }\n", "write to the io.Writer"},
}

// innocents are files that it must let pass, beside those that the offences import.
var innocents = map[string]string{
	"services/consumables/internal/lots/good.go":  importing("math", "coldsection.example/services/platform/fault"),
	"services/consumables/internal/store/good.go": importing("database/sql", "coldsection.example/services/consumables/internal/lots"),
	"services/consumables/internal/app/good.go":   importing("context", "google.golang.org/protobuf/proto"),
	"services/platform/storage/good.go":           importing("modernc.org/sqlite", "coldsection.example/services/platform/fault"),
	"services/platform/clock/good.go":             "package clock\n\nimport \"time\"\n\nvar X = time.Now()\n",
	"services/platform/fault/good.go":             importing("errors"),
	"services/suite/good.go":                      importing("coldsection.example/services/consumables", "coldsection.example/gateway"),
	"services/consumables/good.go":                importing("coldsection.example/services/consumables/internal/app"),
	"services/workorders/good.go":                 importing("coldsection.example/services/platform/clock"),
	"gateway/good.go":                             importing("coldsection.example/services/platform/fault", "coldsection.example/proto/good"),
	"proto/good/good.go":                          importing("google.golang.org/protobuf/proto"),
}

// importing is the text of a Go file that imports these paths for nothing.
func importing(paths ...string) string {
	var b strings.Builder
	b.WriteString("package p\n\n")
	for _, p := range paths {
		b.WriteString("import _ \"" + p + "\"\n")
	}
	return b.String()
}

// TestLinterRules runs the linter, with the repository's configuration, over a small module of offences and innocents.
func TestLinterRules(t *testing.T) {
	module := t.TempDir()
	for _, name := range []string{"go.mod", "go.sum", ".golangci.yml"} {
		text, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(module, name), string(text))
	}
	for _, o := range offences {
		write(t, filepath.Join(module, o.path), o.text)
	}
	for name, text := range innocents {
		write(t, filepath.Join(module, name), text)
	}
	output := lint(t, module)
	for _, o := range offences {
		if !refused(output, o.path, o.refusal) {
			t.Errorf("%s passes; want %q", o.path, o.refusal)
		}
	}
	for name := range innocents {
		if refused(output, name, "") {
			t.Errorf("%s is refused", name)
		}
	}
	if t.Failed() {
		t.Logf("the linter said:\n%s", output)
	}
}

// lint returns what the layer and clock rules say about a module.
func lint(t *testing.T, module string) string {
	t.Helper()
	install := exec.Command(filepath.Join(root, ".ci", "tools.sh"), "golangci-lint")
	if text, err := install.CombinedOutput(); err != nil {
		t.Fatalf("installing the linter: %v\n%s", err, text)
	}
	program, err := filepath.Abs(filepath.Join(root, ".bin", "golangci-lint"))
	if err != nil {
		t.Fatal(err)
	}
	run := exec.Command(program, "run", "--enable-only=depguard,forbidigo", "./...")
	run.Dir = module
	run.Env = append(os.Environ(), "GOFLAGS=-mod=mod", "GOLANGCI_LINT_CACHE="+t.TempDir())
	text, err := run.CombinedOutput()
	if err == nil {
		t.Fatalf("the linter found nothing:\n%s", text)
	}
	return string(text)
}

// refused says whether a line of the output is about the file and has the words.
func refused(output, path, words string) bool {
	for line := range strings.Lines(output) {
		if strings.HasPrefix(line, path+":") && strings.Contains(line, words) {
			return true
		}
	}
	return false
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
