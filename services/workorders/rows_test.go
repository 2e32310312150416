package workorders_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// checked says which test checks each row of testdata/cases.csv; the source of a row stands in the file.
var checked = map[string]string{
	"SGN-01": "TestAnEntrySaysWhoAndOnWhichCertificate", "SGN-02": "TestAnEntrySaysWhoAndOnWhichCertificate", "SGN-03": "TestAnEntrySaysWhoAndOnWhichCertificate",
	"SGN-04": "TestAnInspectionStatesTheTotalTime", "SGN-05": "TestAnInspectionThatIsNotPassedNamesItsDatedList",
	"SGN-06": "TestWhoTookPartNeverInspects", "SGN-07": "TestWhoTookPartNeverInspects",
	"SGN-08": "TestAStepLeftUndoneIsAgreedAndStated", "SGN-09": "TestAStepLeftUndoneIsAgreedAndStated", "SGN-10": "TestWhatEndangersFlightIsPutRight",
	"SGN-13": "TestASignatureNeedsItsOwnFreshProofAndWhatWasShown", "DEF-01": "TestDeferralCases", "DEF-02": "TestDeferralCases", "DEF-03": "TestDeferralCases",
	"DEF-04": "TestACarriedFindingKeepsItsFirstDay", "DEF-05": "TestDeferralCases", "WO-01": "TestLabourAcrossMidnight", "WO-02": "TestAnEarlyRunIsRecordedAsAnExceedance",
	"WO-03": "TestAnEarlyRunIsRecordedAsAnExceedance", "TOOL-01": "TestAToolMustBeInCalibrationOnTheDayOfUse", "TOOL-02": "TestAToolMustBeInCalibrationOnTheDayOfUse",
	"TOOL-05": "TestAClosedGateStopsWithItsReason", "PER-01": "TestTheLastDayOfAnAuthorizationCounts", "PER-02": "TestTheLastDayOfAnAuthorizationCounts",
	"PER-07": "TestAClosedGateStopsWithItsReason", "PER-09": "TestAClosedGateStopsWithItsReason", "MAT-01": "TestALotMustBeUsableAtTheTimeOfUse",
	"MAT-02": "TestALotMustBeUsableAtTheTimeOfUse",
}

// cases are the rows of the file by their id.
func cases(t *testing.T) map[string]map[string]string {
	t.Helper()
	file, err := os.Open("testdata/cases.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	lines, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]map[string]string{}
	for _, line := range lines[1:] {
		row := map[string]string{"source": line[4]}
		for part := range strings.SplitSeq(line[2]+"; "+line[3], "; ") {
			key, value, _ := strings.Cut(part, "=")
			row[key] = value
		}
		rows[line[0]] = row
	}
	return rows
}

// Every row that belongs to work orders has a test that names it, in the comment over it or in it; a row that nobody checks fails,
// and so does a check whose row is gone.
func TestEveryRowIsChecked(t *testing.T) {
	rows := cases(t)
	files, err := filepath.Glob("*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	bodies := map[string]string{}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		before := ""
		for _, part := range regexp.MustCompile(`(?m)^}\n`).Split(string(text), -1) {
			if found := regexp.MustCompile(`(?m)^func (Test\w+)\(`).FindStringSubmatch(part); found != nil {
				bodies[found[1]] = before + part
			}
		}
	}
	for id, row := range rows {
		if test := checked[id]; test == "" || !strings.Contains(bodies[test], id) || row["source"] == "" {
			t.Errorf("row %s: nobody checks it, or %q does not name it", id, test)
		}
	}
	for id := range checked {
		if rows[id] == nil {
			t.Errorf("row %s is gone", id)
		}
	}
}
