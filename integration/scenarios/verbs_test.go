package scenarios

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/integration/harness"
)

// The verbs of the command line against a running suite, as a person and a script would use them.
func TestVerbs(t *testing.T) {
	stage, _ := retold(t)
	file := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(file, []byte(stage.SignIn(t, "planner").Token), 0o600); err != nil {
		t.Fatal(err)
	}
	verb := func(want int, args ...string) (string, string) {
		t.Helper()
		var out, problems bytes.Buffer
		cmd := exec.CommandContext(t.Context(), harness.Program(t), append(args, "--server", stage.GRPC[0], "--key-file", file)...)
		cmd.Stdout, cmd.Stderr = &out, &problems
		err := cmd.Run()
		if cmd.ProcessState.ExitCode() != want {
			t.Fatalf("%v: %v, not exit code %d; %s", args, err, want, &problems)
		}
		return out.String(), problems.String()
	}
	for _, args := range [][]string{{"engines"}, {"due"}, {"orders"}, {"lots"}, {"stock", "--limit", "3"}, {"list", "taskCards"}} {
		out, _ := verb(0, args...)
		t.Logf("%v\n%s", args, out)
		if head, rest, _ := strings.Cut(out, "\n"); head != strings.ToUpper(head) || rest == "" {
			t.Errorf("%v prints %q", args, out)
		}
	}
	out, _ := verb(0, "due", "--output", "csv")
	if table, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || len(table) < 2 || table[0][0] != "name" {
		t.Errorf("due as CSV: %v %v", table, err)
	}
	out, _ = verb(0, "stock", "-o", "json", "--limit", "2")
	if lines := strings.Split(strings.TrimSpace(out), "\n"); len(lines) != 2 || !json.Valid([]byte(lines[0])) {
		t.Errorf("stock as JSON: %q", out)
	}
	if out, _ = verb(0, "get", "engines/demo-4711"); !strings.Contains(out, `"DEMO-4711"`) {
		t.Errorf("an engine: %s", out)
	}
	if out, _ = verb(0, "call", "ExplainDueItem", "--json", `{"name":"`+dueItem(t, verb)+`"}`); !strings.Contains(out, `"lines"`) {
		t.Errorf("explained: %s", out)
	}
	out, cursor := verb(0, "events", "--types", "coldsection.workorder.*")
	if !strings.Contains(out, "coldsection.workorder.released.v1") || !strings.HasPrefix(cursor, "go on with --after ") {
		t.Errorf("the feed: %s %s", out, cursor)
	}
	for want, args := range map[string][]string{
		"NOT_FOUND: ":          {"get", "engines/nobody"},
		"METHOD_UNKNOWN: ":     {"call", "ListEngine"},
		"COLLECTION_UNKNOWN: ": {"list", "engine"},
		"COLUMN_UNKNOWN: ":     {"engines", "--columns", "weight"},
		"REQUEST_INVALID: ":    {"call", "ListEngines", "--json", `{"pageSise":1}`},
		"ROLE_MISSING: ":       {"call", "ListAccounts"},
	} {
		if _, problems := verb(1, args...); !strings.HasPrefix(problems, "coldsection: "+want) {
			t.Errorf("%v: %s", args, problems)
		}
	}
	packed(t, verb, stage.SignIn(t, "quality").Token, file)
	if _, problems := verb(2, "engines", "--output", "xml"); problems == "" {
		t.Error("a wrong form is refused without a word")
	}
}

// packed makes a record pack with quality's key and checks it; a planner is refused, and a file that is there stays.
func packed(t *testing.T, verb func(int, ...string) (string, string), quality, key string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "pack.zip")
	if _, problems := verb(1, "pack", "make", "engines/demo-4711", "-f", path); !strings.Contains(problems, "ROLE_MISSING: ") {
		t.Errorf("a planner: %s", problems)
	}
	if err := os.WriteFile(key, []byte(quality), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _ := verb(0, "pack", "make", "engines/demo-4711", "-f", path)
	t.Log(out)
	_, command, _ := strings.Cut(strings.TrimSpace(out), "coldsection pack verify ")
	checked, err := exec.CommandContext(t.Context(), harness.Program(t), append([]string{"pack", "verify"}, strings.Fields(command)...)...).CombinedOutput()
	if err != nil || !strings.Contains(string(checked), "engines/demo-4711") || strings.Contains(string(checked), "The seal is of key") {
		t.Errorf("what is printed to check it: %v, %s", err, checked)
	}
	if _, problems := verb(1, "pack", "make", "engines/demo-4711", "-f", path); !strings.Contains(problems, "is kept as recordPacks/") {
		t.Errorf("over a file that is there: %s", problems)
	}
	if _, problems := verb(1, "pack", "make", "engines/demo-4711", "--as-of", "2099-01-01T00:00:00Z", "-f", path); !strings.Contains(problems, "TIME_IN_FUTURE: ") {
		t.Errorf("of the future: %s", problems)
	}
}

func dueItem(t *testing.T, verb func(int, ...string) (string, string)) string {
	t.Helper()
	out, _ := verb(0, "due", "-o", "json", "--limit", "1")
	item := map[string]any{}
	if err := json.Unmarshal([]byte(out), &item); err != nil {
		t.Fatal(err)
	}
	return text(item, "name")
}
