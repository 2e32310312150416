package due_test

import (
	"encoding/csv"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// one is a row of testdata/cases.csv, which names the source of each. left is what it expects and no test has asked for yet.
type one struct {
	id, area    string
	given, left map[string]string
}

// want is one expected value; each must be asked for, or the row fails.
func (c one) want(key string) string {
	v := c.left[key]
	delete(c.left, key)
	return v
}

// rowsInTable and rowsCovered say how much of the table is checked here: every value of each covered row, but for the few of
// withoutAnswer. The other groups (llp, component, calibration, sign-off and so on) are not this package's.
const (
	rowsInTable = 163
	rowsCovered = 76
)

// groups are the covered ones.
var groups = map[string]func(*testing.T, one){
	"calendar": calendar, "rebase": rebase, "interval_100h": rebase, "forecast": forecast, "retention": retention, "tolerance": tolerance, "directive": directive,
}

// withoutAnswer are rows, and single values as row.key, of covered groups that nothing here can answer yet.
var withoutAnswer = map[string]string{
	"CAL-26": "which of two dates counts is decided by the work order's release",
	"TOL-01": tableOfAuthority, "TOL-02": tableOfAuthority, "TOL-03": tableOfAuthority, "TOL-04": tableOfAuthority, "TOL-05": tableOfAuthority,
	"TOL-06": tableOfAuthority, "TOL-07": tableOfAuthority,
	"DIR-13.history_a": "the store keeps the history",
	"DIR-18":           "a decision on applicability made by hand is not built",
	"DIR-19.note":      "advice to a person",
	"DIR-20":           "directives are never varied here, whatever the authority allows",
	"FCT-10":           noStandDown, "FCT-11": noStandDown, "FCT-12": noStandDown, "FCT-13": "rates by season are not built",
	"FCT-14": "a rate is stated, not measured from readings",
	"RET-05": floors, "RET-06": floors, "RET-07": floors, "RET-08": floors,
}

const (
	tableOfAuthority = "the programme states its tolerance; the table of an authority is not built in"
	noStandDown      = "stand-downs are not built"
	floors           = "floors that depend on more than one date or rule are not built"
)

func read(t *testing.T) []one {
	t.Helper()
	f, err := os.Open("testdata/cases.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []one
	for _, row := range rows[1:] {
		out = append(out, one{row[0], row[1], pairs(row[2]), pairs(row[3])})
	}
	return out
}

func pairs(s string) map[string]string {
	m := map[string]string{}
	for p := range strings.SplitSeq(s, "; ") {
		k, v, _ := strings.Cut(p, "=")
		m[k] = v
	}
	return m
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
	rows, covered, unused := read(t), 0, maps.Clone(withoutAnswer)
	for _, c := range rows {
		check, ours := groups[c.area]
		if !ours {
			continue
		}
		if _, out := withoutAnswer[c.id]; out {
			delete(unused, c.id)
			continue
		}
		covered++
		t.Run(c.id, func(t *testing.T) {
			check(t, c)
			for _, key := range slices.Sorted(maps.Keys(c.left)) {
				if _, out := withoutAnswer[c.id+"."+key]; !out {
					t.Errorf("%s=%s is expected and not checked", key, c.left[key])
				}
				delete(unused, c.id+"."+key)
			}
		})
	}
	if len(rows) != rowsInTable || covered != rowsCovered {
		t.Errorf("covers %d of %d rows, said are %d of %d", covered, len(rows), rowsCovered, rowsInTable)
	}
	for what, why := range unused {
		t.Errorf("%s is said to have no answer (%s), but no row needs that", what, why)
	}
}
