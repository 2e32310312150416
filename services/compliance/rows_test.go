package compliance_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/casestest"
)

// elsewhere are the rows of areas that other services own, with the test that checks them.
var elsewhere = map[string]string{
	"SGN-01": "workorders/rows_test.go", "SGN-02": "workorders/rows_test.go", "SGN-03": "workorders/rows_test.go", "SGN-04": "workorders/rows_test.go",
	"SGN-05": "workorders/inspection_test.go", "SGN-11": "compliance/internal/server/ownerrecord_test.go",
	"SGN-12": "compliance/internal/server/ownerrecord_test.go",
	"SGN-06": "workorders/rows_test.go", "SGN-07": "workorders/rows_test.go", "SGN-08": "workorders/rows_test.go", "SGN-09": "workorders/rows_test.go",
	"SGN-10": "workorders/rows_test.go", "SGN-13": "workorders/rows_test.go", "DEF-01": "workorders/rows_test.go", "DEF-02": "workorders/rows_test.go",
	"DEF-03": "workorders/rows_test.go", "DEF-04": "workorders/rows_test.go", "DEF-05": "workorders/rows_test.go", "WO-01": "workorders/rows_test.go",
	"WO-02": "workorders/rows_test.go", "WO-03": "workorders/rows_test.go", "MAT-01": "workorders/rows_test.go", "MAT-02": "workorders/rows_test.go",
	"INT-01": "platform/recordchain/recordchain_test.go", "INT-02": "platform/recordchain/recordchain_test.go", "INT-03": "platform/recordchain/recordchain_test.go",
	"INT-04": "platform/recordchain/recordchain_test.go", "INT-05": "compliance/internal/server/records_test.go", "INT-06": "compliance/internal/server/records_test.go",
	"INT-07": "compliance/internal/server/records_test.go", "INT-08": "compliance/internal/server/records_test.go",
}

// Every row of the table is checked once: by the test of its area in a package here, or by a named test. Areas that a package runs
// fail there by row.
func TestEveryRowIsChecked(t *testing.T) {
	areas := checkedAreas(t)
	for id, area := range casestest.IDs(t) {
		file, other := elsewhere[id]
		if areas[area] == other {
			t.Errorf("%s (%s) is checked by its area: %t, and by a named test: %t; want one", id, area, areas[area], other)
		}
		if other {
			casestest.NamedIn(t, id, file)
		}
	}
}

// checkedAreas are the areas that tests of the packages here run through the table.
func checkedAreas(t *testing.T) map[string]bool {
	t.Helper()
	files, err := filepath.Glob("internal/*/*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	areas := map[string]bool{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, after, found := strings.Cut(string(text), "casestest.Checks{")
		if !found {
			continue
		}
		checks, _, _ := strings.Cut(after, "}")
		for part := range strings.SplitSeq(checks, ",") {
			area, _, _ := strings.Cut(strings.TrimSpace(part), ":")
			areas[strings.Trim(area, `"`)] = true
		}
	}
	return areas
}
