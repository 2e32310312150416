package calibration_test

import (
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/calibration"
	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
)

// The rows TOOL-01 to TOOL-05, with their sources: 145.A.40(b), 14 CFR 145.109(b), ISO 9001 7.1.5.2. That a withdrawn tool is
// closed whatever its date (TOOL-05) is the gate's, tested over gRPC.
func TestCases(t *testing.T) {
	without := map[string]string{"TOOL-05": "compliance/internal/server/crib_test.go"}
	if covered := casestest.Run(t, casestest.Checks{"calibration": check}, without); covered != 4 {
		t.Errorf("covers %d rows", covered)
	}
}

func day(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := civil.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func check(t *testing.T, c *casestest.Row) {
	t.Helper()
	switch {
	case c.Has("rule"):
		months, _ := strconv.Atoi(c.Given["months"])
		if got, want := calibration.Due(day(t, c.Given["calibrated"]), months).String(), c.Want("due"); got != want {
			t.Errorf("due %s, want %s", got, want)
		}
	case c.Has("uses"):
		suspects(t, c)
	default:
		end := day(t, c.Given["tool_due"])
		all := []calibration.Calibration{{Done: end.AddMonths(-12), Due: end}}
		if got, want := strconv.FormatBool(calibration.Covers(all, day(t, c.Given["used"]))), c.Want("usable"); got != want {
			t.Errorf("usable %s, want %s", got, want)
		}
	}
}

func suspects(t *testing.T, c *casestest.Row) {
	t.Helper()
	good, found := day(t, c.Given["last_good"]), day(t, c.Given["found_out_of_tolerance"])
	all := []calibration.Calibration{{Done: good.AddMonths(-12), Due: good}, {Done: good, Due: good.AddMonths(12)}, {Done: found, Due: found.AddMonths(12), FoundBad: true}}
	var review []string
	for s := range strings.SplitSeq(c.Given["uses"], "|") {
		if calibration.Judge(all, at(day(t, s)), found) == calibration.OutOfTolerance {
			review = append(review, s)
		}
	}
	if got, want := strings.Join(review, "|"), c.Want("to_review"); got != want {
		t.Errorf("to review %s, want %s", got, want)
	}
}

func at(d civil.Date) calibration.Use { return calibration.Use{First: d, Last: d} }

// What the rows leave open (design rules): gaps between calibrations, a lapse since, uses that may lie on either side of midnight.
func TestJudge(t *testing.T) {
	one := calibration.Calibration{Done: day(t, "2025-01-10"), Due: day(t, "2025-07-09")}
	two := calibration.Calibration{Done: day(t, "2025-08-01"), Due: day(t, "2026-01-31")}
	bad := two
	bad.FoundBad = true
	both, today := []calibration.Calibration{two, one}, day(t, "2025-09-01")
	for name, c := range map[string]struct {
		all   []calibration.Calibration
		use   calibration.Use
		today civil.Date
		want  calibration.Suspicion
	}{
		"never calibrated":                 {nil, at(day(t, "2025-03-01")), today, calibration.NotCovered},
		"covered":                          {both, at(day(t, "2025-03-01")), today, calibration.None},
		"between two":                      {both, at(day(t, "2025-07-20")), today, calibration.NotCovered},
		"the last day":                     {both, at(day(t, "2025-07-09")), today, calibration.None},
		"perhaps the day after":            {both, calibration.Use{First: day(t, "2025-07-09"), Last: day(t, "2025-07-10")}, today, calibration.NotCovered},
		"perhaps, but a gate saw it":       {both, calibration.Use{First: day(t, "2025-07-09"), Last: day(t, "2025-07-10"), Covered: true}, today, calibration.None},
		"a gate saw what is gone":          {nil, calibration.Use{First: today, Last: today, Covered: true}, today, calibration.None},
		"covered, lapsed since":            {both, at(day(t, "2025-09-01")), day(t, "2026-02-01"), calibration.LapsedSince},
		"not lapsed on the last day":       {both, at(day(t, "2025-09-01")), day(t, "2026-01-31"), calibration.None},
		"before the newest, lapsed since":  {both, at(day(t, "2025-03-01")), day(t, "2026-02-01"), calibration.None},
		"found bad the first time":         {[]calibration.Calibration{bad}, at(day(t, "2024-01-01")), today, calibration.OutOfTolerance},
		"after it was found bad":           {[]calibration.Calibration{one, bad}, at(day(t, "2025-08-15")), today, calibration.None},
		"perhaps after the last good one":  {[]calibration.Calibration{one, bad}, calibration.Use{First: day(t, "2025-01-10"), Last: day(t, "2025-01-11")}, today, calibration.OutOfTolerance},
		"on the day it was found, covered": {[]calibration.Calibration{one, bad}, at(day(t, "2025-08-01")), today, calibration.OutOfTolerance},
	} {
		if got := calibration.Judge(c.all, c.use, c.today); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}
