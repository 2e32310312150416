package compliance_test

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The handbook's invariants, R01 to R30, each have a test that stands for it, by name. A test of this service also names its rule in its comment, so
// that whoever changes the test sees what rests on it; those of other services are theirs to word.
func TestEveryInvariantHasItsTest(t *testing.T) {
	file, err := os.Open("testdata/invariants.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, row := range rows[1:] {
		rule, file, test := row[0], row[2], row[3]
		listed[rule] = true
		if problem := standsFor(rule, filepath.Join("..", filepath.FromSlash(file)), test); problem != "" {
			t.Errorf("%s (%s): %s", rule, row[1], problem)
		}
	}
	for n := 1; n <= 30; n++ {
		if rule := fmt.Sprintf("R%02d", n); !listed[rule] {
			t.Errorf("no test stands for %s; name one in testdata/invariants.csv", rule)
		}
	}
	if len(listed) != 30 || len(rows) != 31 {
		t.Errorf("%d rows for %d rules, want one for each of 30", len(rows)-1, len(listed))
	}
}

// standsFor says why a test does not stand for a rule; "" when it does.
func standsFor(rule, file, test string) string {
	text, err := os.ReadFile(file)
	if err != nil || !strings.HasSuffix(file, "_test.go") {
		return fmt.Sprintf("%s is no test that can be read: %v", file, err)
	}
	declared := regexp.MustCompile(`(?m)((?:^//.*\n)*)^func ` + regexp.QuoteMeta(test) + `\(`).FindSubmatch(text)
	if declared == nil {
		return file + " has no test " + test
	}
	ours := strings.Contains(filepath.ToSlash(file), "/compliance/")
	if ours && !regexp.MustCompile(`\b`+rule+`\b`).Match(declared[1]) {
		return test + " does not name the rule in its comment"
	}
	return ""
}

// A rule whose test is gone, is not there or does not name it is seen.
func TestARuleWithoutItsTestIsSeen(t *testing.T) {
	file := filepath.Join(t.TempDir(), "compliance", "some_test.go")
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		t.Fatal(err)
	}
	text := "// R01, R03: it is so.\nfunc TestOne(t *testing.T) {}\n\n// Of R02 only the body speaks.\n\nfunc TestTwo(t *testing.T) {} // R02\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		rule, file, test string
		stands           bool
	}{
		{"R01", file, "TestOne", true}, {"R03", file, "TestOne", true}, {"R02", file, "TestTwo", false}, {"R01", file, "TestOn", false}, {"R0", file, "TestOne", false},
		{"R01", file + "x", "TestOne", false},
	} {
		if problem := standsFor(c.rule, c.file, c.test); (problem == "") != c.stands {
			t.Errorf("%+v: %q", c, problem)
		}
	}
}
