package currency_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/currency"
)

// Six months of experience across a leap day, the ends of months and of the year. Worked out with a calendar; that a month has the days that the
// calendar gives it, and that 31 days left over are one, is our own way of counting, no source.
func TestMonthsAreThoseOfTheCalendar(t *testing.T) {
	for name, c := range map[string]struct {
		on      string
		periods []string // from, to, from, to …
		want    int
	}{
		"six months without a 31st too many":                 {"2026-08-31", []string{"2024-09-01", "2025-02-28"}, 6},
		"the same a year later":                              {"2026-09-01", []string{"2024-09-01", "2025-02-28"}, 5},
		"across the leap day":                                {"2024-08-31", []string{"2024-02-29", "2024-08-28"}, 6},
		"from the leap day, a day short":                     {"2024-08-31", []string{"2024-02-29", "2024-08-27"}, 5},
		"from the end of a month, clipped":                   {"2025-07-01", []string{"2024-08-31", "2025-02-27"}, 6},
		"from the end of a month, a day short":               {"2025-07-01", []string{"2024-08-31", "2025-02-26"}, 5},
		"over the year's end in two parts that touch":        {"2026-06-01", []string{"2026-01-01", "2026-03-31", "2025-10-01", "2025-12-31"}, 6},
		"over the year's end with a day between":             {"2026-06-01", []string{"2026-01-02", "2026-03-31", "2025-10-01", "2025-12-31"}, 5},
		"31 days in pieces":                                  {"2026-06-01", []string{"2026-01-01", "2026-01-15", "2026-03-01", "2026-03-16"}, 1},
		"30 days in pieces":                                  {"2026-06-01", []string{"2026-01-01", "2026-01-15", "2026-03-01", "2026-03-15"}, 0},
		"the window begins after the 28th of two years back": {"2026-02-28", []string{"2020-01-01", "2024-02-29"}, 0},
		"the window of a leap day":                           {"2024-02-29", []string{"2022-03-01", "2022-08-31"}, 6},
		"a day before it does not count":                     {"2024-02-29", []string{"2022-02-28", "2022-08-30"}, 5},
		"what is to come does not count":                     {"2026-03-31", []string{"2025-10-02", "2026-12-31"}, 5},
	} {
		var periods []currency.Period
		for i := 0; i < len(c.periods); i += 2 {
			periods = append(periods, currency.Period{From: day(t, c.periods[i]), To: day(t, c.periods[i+1])})
		}
		if got := currency.Months(periods, day(t, c.on)); got != c.want {
			t.Errorf("%s: %d months, want %d", name, got, c.want)
		}
	}
}

// byCalendar counts with package time and a mark for each day worked, as somebody with a wall calendar would.
func byCalendar(periods []currency.Period, on civil.Date) (months int) {
	at := func(d civil.Date) time.Time {
		return time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
	}
	later := func(from time.Time, n int) time.Time { // the same day n months on, or that month's last
		day, last := from.Day(), time.Date(from.Year(), from.Month()+time.Month(n)+1, 0, 0, 0, 0, 0, time.UTC)
		return last.AddDate(0, 0, min(day, last.Day())-last.Day())
	}
	worked := map[time.Time]bool{}
	for _, p := range periods {
		for d := at(p.From); !d.After(at(p.To)); d = d.AddDate(0, 0, 1) {
			worked[d] = true
		}
	}
	loose := 0
	for d := later(at(on), -24).AddDate(0, 0, 1); !d.After(at(on)); d = d.AddDate(0, 0, 1) {
		if !worked[d] {
			continue
		}
		end := d
		for worked[end] && !end.After(at(on)) {
			end = end.AddDate(0, 0, 1)
		}
		whole := 0
		for !later(d, whole+1).After(end) {
			whole++
		}
		months, loose = months+whole, loose+int(end.Sub(later(d, whole)).Hours()/24)
		d = end
	}
	return months + loose/31
}

func anyPeriods(t *rapid.T) (out []currency.Period) {
	for range rapid.IntRange(0, 6).Draw(t, "periods") {
		from := civil.Date{Year: 2022, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 1500).Draw(t, "from"))
		out = append(out, currency.Period{From: from, To: from.AddDays(rapid.IntRange(0, 220).Draw(t, "days"))})
	}
	return out
}

func TestMonthsAreCountedAsByHand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		periods, on := anyPeriods(t), civil.Date{Year: 2023, Month: 6, Day: 1}.AddDays(rapid.IntRange(0, 1200).Draw(t, "on"))
		if got, want := currency.Months(periods, on), byCalendar(periods, on); got != want {
			t.Fatalf("on %s: %d months of %v, by hand %d", on, got, periods, want)
		}
	})
}

// Experience only goes by: without any more of it, nobody becomes current again; more of it never makes less; and how it is cut and ordered is nothing.
func TestExperienceOnlyGoesBy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		periods, last := anyPeriods(t), civil.Date{}
		for _, p := range periods {
			if last.Before(p.To) {
				last = p.To
			}
		}
		if last.IsZero() {
			return
		}
		before := 25
		for n := range 760 {
			on := last.AddDays(n)
			got := currency.Months(periods, on)
			if got > before {
				t.Fatalf("%d months the day before %s, %d then: %v", before, on, got, periods)
			}
			before = got
		}
		on := last.AddDays(rapid.IntRange(0, 700).Draw(t, "on"))
		whole := currency.Months(periods, on)
		cut := rapid.IntRange(0, len(periods)-1).Draw(t, "cut")
		middle := periods[cut].From.AddDays(periods[cut].To.Sub(periods[cut].From) / 2)
		parts := append([]currency.Period{{From: middle.AddDays(1), To: periods[cut].To}}, periods...)
		parts[cut+1].To = middle
		if got := currency.Months(parts, on); got != whole {
			t.Fatalf("on %s: cut at %s %d months, else %d: %v", on, middle, got, whole, periods)
		}
		if got := currency.Months(append(anyPeriods(t), periods...), on); got < whole {
			t.Fatalf("on %s: %d months with more, %d before", on, got, whole)
		}
	})
}
