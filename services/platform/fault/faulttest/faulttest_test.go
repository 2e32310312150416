package faulttest_test

import (
	"os"
	"path/filepath"
	"testing"

	"coldsection.example/services/platform/fault/faulttest"
)

const source = `package rules

func a() error { return fault.Invalid("field", "A_REASON", "%s is wrong. " + "Correct it.", "x") }
func b() error { return fault.New(fault.Denied, "B_REASON", "Not by %s: ask another person.", "x") }
func c() error { return standing(o, "C_REASON", "%s is done already.", "x") }
func d() (string, string) { return "D_REASON", fmt.Sprintf("%d are missing. Count again.", 3) }
func e() (string, string) { return "E_REASON", "One sentence." }
func f() error { return fault.Precondition(reason, "%s", text) }
func g() error { return other("G_REASON", "Nobody asked for this.") }
`

// Every way in which a refusal is worded is found, and nothing else.
func TestSentencesAreFoundWhereTheyAreWorded(t *testing.T) {
	folder := t.TempDir()
	for name, text := range map[string]string{"rules.go": source, "rules_test.go": source} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want := []struct {
		reason, text, move string
		worded             bool
	}{
		{"A_REASON", "%s is wrong. Correct it.", "Correct", false},
		{"B_REASON", "Not by %s: ask another person.", "Ask", false},
		{"C_REASON", "%s is done already.", "", false},
		{"D_REASON", "%d are missing. Count again.", "Count", false},
		{"E_REASON", "One sentence.", "", false},
		{"", "%s", "", true},
	}
	got := faulttest.Sentences(t, folder, "standing")
	if len(got) != len(want) {
		t.Fatalf("%d were found: %v", len(got), got)
	}
	for i, w := range want {
		if s := got[i]; s.Reason != w.reason || s.Text != w.text || s.Move() != w.move || s.Worded() != w.worded {
			t.Errorf("%+v, its move %q; want %+v", s, s.Move(), w)
		}
	}
}
