package due_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// one is a row of testdata/cases.csv, which names the source of each.
type one struct {
	id, area      string
	given, expect map[string]string
}

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

func number(s string) int64 {
	n, _ := strconv.ParseInt(s, 10, 64)
	return n
}

var rules = map[string]due.Unit{"calendar_months_eom": due.CalendarMonthsEnd, "months_anniversary": due.Months, "days": due.Days}

func TestCases(t *testing.T) {
	ran := map[string]int{}
	for _, c := range read(t) {
		ran[c.area]++
		t.Run(c.id, func(t *testing.T) {
			switch c.area {
			case "calendar":
				calendar(t, c)
			case "rebase", "interval_100h":
				rebase(t, c)
			case "forecast":
				forecast(t, c)
			case "retention":
				months := 24
				if got := day(t, c.given["rts"]).KeepThrough(months).String(); got != c.expect["retain_through"] {
					t.Errorf("kept through %s, want %s", got, c.expect["retain_through"])
				}
			default:
				t.Fatalf("no test for area %s", c.area)
			}
		})
	}
	if ran["calendar"] != 24 || ran["rebase"] != 7 || ran["forecast"] != 7 {
		t.Errorf("ran %v", ran)
	}
}

func calendar(t *testing.T, c one) {
	t.Helper()
	n := c.given["months"] + c.given["days"]
	today := c.given["done"]
	if c.given["on"] != "" {
		today = c.given["on"]
	}
	limit := due.Limit{Unit: rules[c.given["rule"]], Amount: number(n)}
	r := due.Tree{Limits: []due.Limit{limit}}.Compute(due.Base{Date: day(t, c.given["done"])}, due.Now{Today: day(t, today)}, due.DefaultThreshold)
	if r.Date.String() != c.expect["due"] {
		t.Errorf("due %s, want %s", r.Date, c.expect["due"])
	}
	if want := c.expect["days_remaining"]; want != "" && fmt.Sprint(r.Left[0].Left) != want {
		t.Errorf("%d days left, want %s", r.Left[0].Left, want)
	}
	if want := c.expect["status"]; want != "" && string(r.Band) != strings.Replace(want, "OK", "CURRENT", 1) {
		t.Errorf("band %s, want %s", r.Band, want)
	}
}

// rebase gives the original due as the previous base plus the interval.
func rebase(t *testing.T, c one) {
	t.Helper()
	policy := map[string]due.Rebase{"from_done": due.FromDone, "from_due_if_late": due.FromDueIfLate, "fixed_grid": due.FixedGrid, "": due.FromDueIfLate}[c.given["policy"]]
	if c.given["rule"] != "" {
		limit := due.Limit{Unit: rules[c.given["rule"]], Amount: number(c.given["months"])}
		tree := due.Tree{Limits: []due.Limit{limit}}
		previous := due.Base{Date: day(t, c.given["due"]).AddMonths(-int(limit.Amount))}
		next := policy.Next(previous, due.Base{Date: day(t, c.given["done"])}, tree)
		if got := tree.Compute(next, due.Now{Today: next.Date}, due.DefaultThreshold).Date.String(); got != c.expect["next_due"] {
			t.Errorf("next due %s, want %s", got, c.expect["next_due"])
		}
		return
	}
	limit := due.Limit{Unit: due.Hours, Amount: seconds(c.given["interval"])}
	anyDay := day(t, "2025-01-01")
	previous := due.Base{Date: anyDay, Counters: due.Counters{Seconds: seconds(c.given["due"]) - limit.Amount}}
	next := policy.Next(previous, due.Base{Date: anyDay, Counters: due.Counters{Seconds: seconds(c.given["done"])}}, due.Tree{Limits: []due.Limit{limit}})
	if got := next.Counters.Seconds + limit.Amount; got != seconds(c.expect["next_due"]) {
		t.Errorf("next due %d s, want %s h", got, c.expect["next_due"])
	}
}

func forecast(t *testing.T, c one) {
	t.Helper()
	today := day(t, c.given["asof"])
	rate, _ := strconv.ParseFloat(c.given["rate_per_day"], 64)
	limit, now := due.Limit{Unit: due.Hours, Amount: seconds(c.given["remaining"])}, due.Now{Today: today, Rate: due.Rate{SecondsPerDay: rate * 3600}}
	if c.given["unit"] == "cycles" {
		limit, now.Rate = due.Limit{Unit: due.Cycles, Amount: number(c.given["remaining"])}, due.Rate{CyclesPerDay: rate}
	}
	got := limit.Compute(due.Base{Date: today}, now)
	want := strings.Replace(c.expect["date"], "none", "", 1)
	if got.Projected.String() != want {
		t.Errorf("reached on %q, want %q", got.Projected, want)
	}
}
