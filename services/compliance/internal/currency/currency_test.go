package currency_test

import (
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/casestest"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/currency"
)

// Rows PER-03 to PER-06 and PER-08: 14 CFR 65.83 and 65.92(a) from memory, 145.A.35(c). The rows about dates and scopes of
// authorizations are the gate's, tested over gRPC.
func TestCases(t *testing.T) {
	const gate = "compliance/internal/server/crib_test.go"
	without := map[string]string{"PER-01": gate, "PER-02": gate, "PER-07": gate, "PER-09": gate}
	if covered := casestest.Run(t, casestest.Checks{"personnel": check}, without); covered != 5 {
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
	case c.Has("issued"):
		if got, want := currency.InspectionEnds(day(t, c.Given["issued"])).String(), c.Want("ia_period_end"); got != want {
			t.Errorf("ends %s, want %s", got, want)
		}
	case c.Has("ia_period_end"):
		end := currency.InspectionEnds(day(t, c.Given["ia_period_end"]).AddMonths(-6))
		may := !end.Before(day(t, c.Given["annual_signed"]))
		if want := c.Want("may_sign"); strconv.FormatBool(may) != want || end.String() != c.Given["ia_period_end"] {
			t.Errorf("may sign: %t, want %s; ends %s", may, want, end)
		}
	default:
		months, _ := strconv.Atoi(c.Given["months_worked_in_preceding_24"] + c.Given["months_relevant_in_2_years"])
		if got, want := strconv.FormatBool(currency.Current(months, c.Given["faa_found_able"] == "true")), c.Want("current"); got != want {
			t.Errorf("current: %s, want %s", got, want)
		}
	}
}

func TestMonthsCountDaysOnceAndForTwoYears(t *testing.T) {
	on := day(t, "2025-07-01")
	half := currency.Period{From: day(t, "2025-01-01"), To: day(t, "2025-06-30")}
	for name, c := range map[string]struct {
		periods []currency.Period
		want    int
	}{
		"nothing":                     {nil, 0},
		"half a year":                 {[]currency.Period{half}, 6},
		"a day less than half a year": {[]currency.Period{{From: day(t, "2025-01-02"), To: half.To}}, 5},
		"twice the same":              {[]currency.Period{half, half}, 6},
		"long ago":                    {[]currency.Period{{From: day(t, "2020-01-01"), To: day(t, "2023-07-01")}}, 0},
		"to come":                     {[]currency.Period{{From: day(t, "2025-07-02"), To: day(t, "2026-07-01")}}, 0},
		"ends within another":         {[]currency.Period{half, {From: day(t, "2025-02-01"), To: day(t, "2025-03-01")}}, 6},
	} {
		if got := currency.Months(c.periods, on); got != c.want {
			t.Errorf("%s: %d months, want %d", name, got, c.want)
		}
	}
}

func TestInspectionAuthorizationsEndInMarchOfAnOddYear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		issued := civil.Date{Year: 2020, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 4000).Draw(t, "day"))
		end := currency.InspectionEnds(issued)
		if end.Year%2 == 0 || end.Month != 3 || end.Day != 31 || end.Before(issued) || end.Sub(issued) > 731 {
			t.Fatalf("%s ends %s", issued, end)
		}
	})
}
