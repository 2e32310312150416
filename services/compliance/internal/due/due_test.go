package due_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

var today = civil.Date{Year: 2025, Month: 6, Day: 1}

// FCT-08 and FCT-09: 100 h at 2.5 h a day, 150 cycles at 6, calendar due 2025-07-31; first is driven by cycles on
// 2025-06-26, later by the calendar (handbook arithmetic, days rounded down).
func TestFirstAndLater(t *testing.T) {
	limits := []due.Limit{{Unit: due.Hours, Amount: 360000}, {Unit: due.Cycles, Amount: 150}, {Unit: due.FixedDate, Fixed: civil.Date{Year: 2025, Month: 7, Day: 31}}}
	now := due.Now{Today: today, Rate: due.Rate{HoursPerDay: 2.5, CyclesPerDay: 6}}
	for _, c := range []struct {
		later        bool
		date, driver string
	}{{false, "2025-06-26", "cycles"}, {true, "2025-07-31", "calendar"}} {
		r := due.Tree{Later: c.later, Limits: limits}.Compute(due.Base{Date: today}, now, due.DefaultThreshold)
		if r.Date.String() != c.date || r.Left[r.Driving].Limit.Unit.Driver() != c.driver {
			t.Errorf("later %t: %s by %s", c.later, r.Date, r.Left[r.Driving].Limit.Unit.Driver())
		}
	}
}

func TestFirstIsOverdueWhenAnyIsAndLaterWhenAllAre(t *testing.T) {
	limits := []due.Limit{{Unit: due.Hours, Amount: 3600}, {Unit: due.Days, Amount: 100}}
	now := due.Now{Today: today, Counters: due.Counters{Seconds: 7200}}
	for later, want := range map[bool]due.Band{false: due.Overdue, true: due.Current} {
		if got := (due.Tree{Later: later, Limits: limits}).Compute(due.Base{Date: today}, now, due.DefaultThreshold).Band; got != want {
			t.Errorf("later %t: %s, want %s", later, got, want)
		}
	}
}

func TestAnEmptyTreeTellsNothing(t *testing.T) {
	if r := (due.Tree{}).Compute(due.Base{Date: today}, due.Now{Today: today}, due.DefaultThreshold); r.Driving != -1 {
		t.Errorf("%+v", r)
	}
}

// What is left and what was used always add up to the limit, and a day more never leaves more.
func TestRemainingPlusUsedIsTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := due.Limit{Unit: due.Hours, Amount: rapid.Int64Range(1, 1e8).Draw(t, "limit")}
		used := rapid.Int64Range(0, 2e8).Draw(t, "used")
		base := due.Base{Date: today, Counters: due.Counters{Seconds: rapid.Int64Range(0, 1e9).Draw(t, "base")}}
		left := limit.Compute(base, due.Now{Today: today, Counters: due.Counters{Seconds: base.Counters.Seconds + used}}).Left
		if left+used != limit.Amount {
			t.Fatalf("left %d + used %d is not %d", left, used, limit.Amount)
		}
	})
}

// R13: calendar months end with the month.
func TestMonthsNeverSpillOver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := civil.Date{Year: 2024, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 3000).Draw(t, "day"))
		n := rapid.IntRange(0, 120).Draw(t, "months")
		got, end := d.AddMonths(n), d.EndOfMonth(n)
		if !got.Valid() || got.Day > d.Day || got.Month != end.Month || end.Before(got) || end.AddDays(1).Day != 1 || (d.Month-1+n)%12+1 != got.Month {
			t.Fatalf("%s + %d months = %s (end %s)", d, n, got, end)
		}
	})
}

// Counters that are some days old are told as such: what was flown since is not in them, and a date that is projected from today is
// later than it will be.
func TestOldCountersSayTheirDay(t *testing.T) {
	limit := due.Limit{Unit: due.Hours, Amount: 200 * 3600}
	now := due.Now{Today: civil.Date{Year: 2026, Month: 10, Day: 21}, Counters: due.Counters{Seconds: 150 * 3600}, Rate: due.Rate{HoursPerDay: 2}}
	for read, want := range map[civil.Date]string{
		{Year: 2026, Month: 9, Day: 7}:   "now 150:00 h as of 2026-09-07, left 50:00 h",
		{Year: 2026, Month: 10, Day: 21}: "now 150:00 h, left 50:00 h",
		{}:                               "now 150:00 h, left 50:00 h",
	} {
		now.Read = read
		if line := limit.Compute(due.Base{}, now).Line(); !strings.Contains(line, want) {
			t.Errorf("read on %q: %s", read, line)
		}
	}
}
