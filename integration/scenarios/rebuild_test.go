package scenarios

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/suite"
)

// Case D10: after the main job, the facts of all parts are replayed into empty models. Every model is as it was, with its times; nothing else in
// any database changed, so that no ledger row, fact, message or order is there twice. A model that was damaged is reported and left, and filled
// from the facts when that is asked for.
func TestFactsFillEmptyModelsAgain(t *testing.T) {
	state := filepath.Join(t.TempDir(), "state")
	stage := harness.OneProcessWith(t, "--state", state)
	play(t, stage, nil)
	if err := stage.Processes[0].Terminate(); err != nil {
		t.Fatal(err)
	}
	want := everything(t, state)
	rebuild := func(code int, more ...string) string {
		t.Helper()
		var out bytes.Buffer
		if got := suite.Main(append([]string{"rebuild", "--state", state}, more...), &out, &out); got != code {
			t.Fatalf("rebuild %v ended with %d: %s", more, got, &out)
		}
		return out.String()
	}
	models := []string{"compliance tool_uses", "compliance order_documents", "compliance open_findings", "compliance versions", "performance owned_subjects", "performance engine_fittings"}
	told := rebuild(0)
	for _, model := range models {
		if !strings.Contains(told, model+": ") {
			t.Errorf("nothing is said of %s:\n%s", model, told)
		}
	}
	if strings.Count(told, "as it was.") != len(models) {
		t.Errorf("not all is as it was:\n%s", told)
	}
	holds(t, state, want)

	damage(t, state, "compliance", "DELETE FROM tool_uses")
	damage(t, state, "performance", "UPDATE owned_subjects SET owner = 'nobody'")
	damaged := everything(t, state)
	if told := rebuild(3); strings.Count(told, "say something else.") != 2 {
		t.Errorf("two models were damaged:\n%s", told)
	}
	holds(t, state, damaged)
	rebuild(0, "--accept")
	holds(t, state, want)
}

// damage changes the database of a part that does not run.
func damage(t *testing.T, state, part, statement string) {
	t.Helper()
	lookInto(t, state, part, func(ctx context.Context, tx *storage.Tx) error {
		n, err := tx.Exec(ctx, statement)
		if n == 0 {
			t.Errorf("%s changes nothing", statement)
		}
		return err
	})
}

func lookInto(t *testing.T, state, part string, look storage.Func) {
	t.Helper()
	if err := storage.Inspect(t.Context(), filepath.Join(state, part+".db"), look); err != nil {
		t.Fatalf("%s: %v", part, err)
	}
}

// everything are all rows of all databases, as text by table.
func everything(t *testing.T, state string) map[string]string {
	t.Helper()
	found := map[string]string{}
	for _, part := range suite.Parts {
		lookInto(t, state, part, func(ctx context.Context, tx *storage.Tx) error {
			tables, err := storage.Collect(ctx, tx, oneText, "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
			if err != nil {
				return err
			}
			for _, table := range tables {
				rows, err := storage.Collect(ctx, tx, oneText, fmt.Sprintf("SELECT %s FROM %s ORDER BY 1", columnsAsText(ctx, t, tx, table), table))
				if err != nil {
					return err
				}
				found[part+" "+table] = strings.Join(rows, "\n")
			}
			return nil
		})
	}
	return found
}

func columnsAsText(ctx context.Context, t *testing.T, tx *storage.Tx, table string) string {
	t.Helper()
	names, err := storage.Collect(ctx, tx, oneText, "SELECT quote(name) FROM pragma_table_info($1)", table)
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range names {
		names[i] = "quote(" + strings.ReplaceAll(name, "'", `"`) + ")"
	}
	return strings.Join(names, " || ' ' || ")
}

func oneText(row storage.Scanner) (text string, err error) {
	err = row.Scan(&text)
	return text, err
}

// holds compares all databases with what they held.
func holds(t *testing.T, state string, want map[string]string) {
	t.Helper()
	have := everything(t, state)
	for table, rows := range have {
		if rows != want[table] {
			t.Errorf("%s is not as it was: %d bytes instead of %d", table, len(rows), len(want[table]))
		}
	}
	if len(have) != len(want) {
		t.Errorf("%d tables instead of %d", len(have), len(want))
	}
}
