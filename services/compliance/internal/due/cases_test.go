package due_test

import (
	"math"
	"strconv"
	"testing"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// rowsCovered says how many rows of the table are checked here: every value of each, but for the few that others check.
const rowsCovered = 85

// groups are the covered ones.
var groups = casestest.Checks{
	"calendar": calendar, "rebase": rebase, "interval_100h": rebase, "forecast": forecast, "tolerance": tolerance, "directive": directive,
}

// elsewhere are rows, and single values as row.key, of these groups that other tests check over gRPC.
var elsewhere = map[string]string{
	"CAL-26":           "compliance/internal/server/subjects_test.go",
	"DIR-13.history_a": "compliance/internal/server/successor_test.go",
	"DIR-18":           "compliance/internal/server/list_test.go",
	"DIR-19.note":      "compliance/internal/server/subjects_test.go",
}

func day(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func seconds(s string) int64 {
	h, _ := strconv.ParseFloat(s, 64)
	return int64(math.Round(h * 3600))
}

// tenths writes seconds as hours with one decimal, as the table does.
func tenths(seconds int64) string { return strconv.FormatFloat(float64(seconds)/3600, 'f', 1, 64) }

func equal(t *testing.T, what string, got, want any) {
	t.Helper()
	if got != want {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func number(s string) int64 {
	n, _ := strconv.ParseInt(s, 10, 64)
	return n
}

var rules = map[string]due.Unit{"calendar_months_eom": due.CalendarMonthsEnd, "months_anniversary": due.Months, "days": due.Days}

func TestCases(t *testing.T) {
	if covered := casestest.Run(t, groups, elsewhere); covered != rowsCovered {
		t.Errorf("covers %d rows, said are %d", covered, rowsCovered)
	}
}
