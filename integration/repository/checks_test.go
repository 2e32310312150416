package repository

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"

	"strings"
	"testing"
)

// checks are the checks that a test must stand for: of the public door its contract, its facts, its agents and its locks; of stores and of
// engine performance all; of planning and quality those that have one so far.
var checks = strings.Fields(`API-01 API-02 API-03 API-04 API-05 API-06 API-08 API-09 API-10 API-11 API-12 API-14 API-15 API-16 API-17 API-19 API-20 API-21
	API-22 EVT-01 EVT-02 EVT-03 EVT-05 EVT-06 EVT-08 EVT-09 OPS-09 OPS-10 AGT-01 AGT-02 AGT-03 AGT-05 AGT-06
	STO-01 STO-02 STO-03 STO-04 STO-05 STO-06 STO-07 STO-08 STO-09 STO-10
	PLN-01 PLN-02 PLN-03 PLN-04 PLN-05 PLN-06 SGN-05 SGN-11 SGN-12 QUA-01 QUA-02 QUA-03 QUA-04 QUA-05 QUA-06 QUA-08
	PRF-01 PRF-02 PRF-03 PRF-04 PRF-05 PRF-06 PRF-07`)

// Every check names the test that stands for it, which is there; one that none stands for is named among what is not built yet.
func TestEveryCheckHasItsTest(t *testing.T) {
	file, err := os.Open("testdata/checks.csv")
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
		check, path, text := row[0], row[1], row[2]
		listed[check] = true
		if path == "" {
			path, text = "DEVELOPERS.md", check
		}
		if problem := stands(t, path, text); problem != "" {
			t.Errorf("%s: %s", check, problem)
		}
	}
	for _, check := range checks {
		if !listed[check] {
			t.Errorf("%s has no row in testdata/checks.csv; name the test that stands for it", check)
		}
	}
	if len(listed) != len(checks) {
		t.Errorf("%d checks are listed, want %d", len(listed), len(checks))
	}
}

// stands says why a file does not hold a text; "" when it does.
func stands(t *testing.T, path, text string) string {
	t.Helper()
	content, err := os.ReadFile(filepath.Join("..", "..", path))
	switch {
	case err != nil:
		return err.Error()
	case text == "" || !bytes.Contains(content, []byte(text)):
		return path + " has no " + text
	default:
		return ""
	}
}

// A row that names what is not there is seen.
func TestACheckWithoutItsTestIsSeen(t *testing.T) {
	for _, c := range [][2]string{{"integration/repository/none_test.go", "func TestX("}, {"DEVELOPERS.md", "func TestNoSuchTest("}, {"DEVELOPERS.md", ""}} {
		if stands(t, c[0], c[1]) == "" {
			t.Errorf("%v passes", c)
		}
	}
}
