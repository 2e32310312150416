package due_test

import (
	"math"
	"strconv"
	"testing"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// rowsCovered says how many rows of the table are checked here: every value of each, but for the few of withoutAnswer.
const rowsCovered = 77

// groups are the covered ones.
var groups = casestest.Checks{
	"calendar": calendar, "rebase": rebase, "interval_100h": rebase, "forecast": forecast, "tolerance": tolerance, "directive": directive,
}

// withoutAnswer are rows, and single values as row.key, of covered groups that nothing here can answer yet.
var withoutAnswer = map[string]string{
	"CAL-26": "which of two dates counts is decided by the work order's release",
	"TOL-01": tableOfAuthority, "TOL-02": tableOfAuthority, "TOL-03": tableOfAuthority, "TOL-04": tableOfAuthority, "TOL-05": tableOfAuthority,
	"TOL-06": tableOfAuthority, "TOL-07": tableOfAuthority,
	"DIR-13.history_a": "the store keeps the history",
	"DIR-18":           "a decision by hand is a use case; tested over gRPC",
	"DIR-19.note":      "advice to a person",
	"DIR-20":           "directives are never varied here, whatever the authority allows",
}

const tableOfAuthority = "the programme states its tolerance; the table of an authority is not built in"

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
	if covered := casestest.Run(t, groups, withoutAnswer); covered != rowsCovered {
		t.Errorf("covers %d rows, said are %d", covered, rowsCovered)
	}
}
