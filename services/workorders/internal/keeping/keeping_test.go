package keeping_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/keeping"
)

// Cases RET-01 to RET-05 and RET-08: 14 CFR 145.219(c), 91.417(b)(1), 145.A.55(a)(3), M.A.305(e)2; a missing day rounds up and the
// longest floor holds by the suite's own rule.
func TestFloorsRoundUpAndTheLongestHolds(t *testing.T) {
	faa, owner, easa := keeping.Floor{Months: 24, Source: "145.219"}, keeping.Floor{Months: 12, Source: "91.417"}, keeping.Floor{Months: 36, Source: "145.A.55"}
	for _, c := range []struct {
		name, from, through string
		floors              []keeping.Floor
	}{
		{"RET-01", "2025-03-10", "2027-03-10", []keeping.Floor{faa}}, {"RET-02", "2024-02-29", "2026-03-01", []keeping.Floor{faa}},
		{"RET-03", "2025-03-10", "2028-03-10", []keeping.Floor{easa}}, {"RET-04", "2025-03-10", "2026-03-10", []keeping.Floor{owner}},
		{"RET-05", "2021-01-15", "2024-01-15", nil}, {"RET-08", "2025-03-10", "2028-03-10", []keeping.Floor{faa, easa, owner}},
	} {
		from, err := time.Parse(time.DateOnly, c.from)
		if err != nil {
			t.Fatal(err)
		}
		if got := keeping.Through(from, keeping.Longest(c.floors).Months).Format(time.DateOnly); got != c.through {
			t.Errorf("%s: kept through %s, want %s", c.name, got, c.through)
		}
	}
}

// A record is never kept shorter than the months say, and at most a few days longer.
func TestAFloorIsNeverShort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := time.Date(2020, 1, rapid.IntRange(1, 4000).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		months := rapid.IntRange(1, 120).Draw(t, "months")
		end := keeping.Through(day, months)
		apart := (end.Year()-day.Year())*12 + int(end.Month()-day.Month())
		if whole := apart == months && end.Day() == day.Day(); !whole && (apart != months+1 || end.Day() != 1 || day.Day() < 29) {
			t.Errorf("%s and %d months: %s", day.Format(time.DateOnly), months, end.Format(time.DateOnly))
		}
	})
}

// A floor ends on a day, at its beginning, and where the month is too short on the first of the next; of two that are as long the first is named.
func TestAFloorEndsOnADay(t *testing.T) {
	for _, c := range []struct {
		from    time.Time
		months  int
		through time.Time
	}{
		{time.Date(2025, 1, 31, 17, 30, 5, 7, time.UTC), 1, time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)},
		{time.Date(2025, 1, 30, 0, 0, 0, 0, time.UTC), 1, time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)},
		{time.Date(2025, 1, 29, 23, 59, 59, 0, time.UTC), 1, time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)},
		{time.Date(2025, 12, 31, 12, 0, 0, 0, time.UTC), 2, time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)},
		{time.Date(2025, 3, 10, 9, 8, 7, 6, time.UTC), 24, time.Date(2027, 3, 10, 0, 0, 0, 0, time.UTC)},
	} {
		if got := keeping.Through(c.from, c.months); !got.Equal(c.through) {
			t.Errorf("%s and %d months: %s, want %s", c.from, c.months, got, c.through)
		}
	}
	if got := keeping.Longest([]keeping.Floor{{Months: 12, Source: "c"}, {Months: 36, Source: "a"}, {Months: 36, Source: "b"}}); got.Source != "a" {
		t.Errorf("%+v", got)
	}
}
