package civil_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
)

func day(t *testing.T, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// R14. Months clip to the end of the month; a retention runs a day on where the month is too short, so that nothing is kept a day too few.
func TestMonths(t *testing.T) {
	for _, c := range []struct {
		from             string
		months           int
		same, end, until string
	}{
		{"2026-01-31", 1, "2026-02-28", "2026-02-28", "2026-03-01"},
		{"2028-01-31", 1, "2028-02-29", "2028-02-29", "2028-03-01"},
		{"2028-02-29", 12, "2029-02-28", "2029-02-28", "2029-03-01"},
		{"2028-02-29", 48, "2032-02-29", "2032-02-29", "2032-02-29"},
		{"2026-08-31", 36, "2029-08-31", "2029-08-31", "2029-08-31"},
		{"2026-12-15", 1, "2027-01-15", "2027-01-31", "2027-01-15"},
		{"2026-11-30", 24, "2028-11-30", "2028-11-30", "2028-11-30"},
		{"2026-03-31", -1, "2026-02-28", "2026-02-28", "2026-03-01"},
		{"2026-01-15", -1, "2025-12-15", "2025-12-31", "2025-12-15"},
		{"2026-05-05", 0, "2026-05-05", "2026-05-31", "2026-05-05"},
		{"2100-02-28", 12, "2101-02-28", "2101-02-28", "2101-02-28"}, // 2100 has no 29 February
	} {
		from := day(t, c.from)
		if same, end, until := from.AddMonths(c.months), from.EndOfMonth(c.months), from.KeepThrough(c.months); same.String() != c.same ||
			end.String() != c.end || until.String() != c.until {
			t.Errorf("%s and %d months: %s, %s, %s; want %s, %s, %s", c.from, c.months, same, end, until, c.same, c.end, c.until)
		}
	}
}

// The number of days between two dates is that of the calendar however far apart they are: 3,652,058 from the first day to the last of
// years of four digits (400 years have 146,097 days: ISO 8601, the Gregorian calendar).
func TestDaysBetween(t *testing.T) {
	for _, c := range []struct {
		from, to string
		days     int
	}{
		{"0001-01-01", "9999-12-31", 3_652_058}, {"2000-01-01", "2400-01-01", 146_097}, {"2026-11-26", "9999-12-31", 2_912_113},
		{"2026-03-28", "2026-03-30", 2}, {"2028-02-28", "2028-03-01", 2}, {"2026-02-28", "2026-03-01", 1}, {"2026-01-01", "2026-01-01", 0},
	} {
		from, to := day(t, c.from), day(t, c.to)
		if got, back := to.Sub(from), from.Sub(to); got != c.days || back != -c.days || from.AddDays(c.days) != to {
			t.Errorf("from %s to %s: %d days, back %d, want %d; the day is %s", c.from, c.to, got, back, c.days, from.AddDays(c.days))
		}
	}
}

func TestWhatIsNoDateIsRefused(t *testing.T) {
	for _, text := range []string{"", "2026-02-29", "2026-13-01", "2026-00-10", "2026-1-1", "26-01-01", "2026-01-01T00:00:00Z", " 2026-01-01", "2026-01-01 ", "10000-01-01", "2026/01/01"} {
		if d, err := civil.Parse(text); err == nil {
			t.Errorf("%q is %s", text, d)
		}
	}
	for _, d := range []civil.Date{{}, {Year: 2026, Month: 2, Day: 29}, {Year: 2026, Month: 13, Day: 1}, {Year: 2026, Day: 1}, {Year: 2026, Month: 4, Day: 31}, {Year: 2026, Month: 4}} {
		if d.Valid() {
			t.Errorf("%v is valid", d)
		}
	}
	if d := (civil.Date{}); d.String() != "" || !d.IsZero() {
		t.Errorf("no date is %q", d)
	}
}

// The civil date of an instant is that of its place.
func TestTheDayIsThatOfThePlace(t *testing.T) {
	at := time.Date(2026, 12, 31, 23, 30, 0, 0, time.UTC)
	for zone, want := range map[int]string{0: "2026-12-31", 1: "2027-01-01", -12: "2026-12-31", 14: "2027-01-01"} {
		if got := civil.Of(at.In(time.FixedZone("", zone*3600))).String(); got != want {
			t.Errorf("at UTC%+d: %s, want %s", zone, got, want)
		}
	}
}

// Dates are in one order, by days, by text and by Before; months never go back and never skip a month.
func TestDatesAreInOneOrder(t *testing.T) {
	first := civil.Date{Year: 1, Month: 1, Day: 1}
	rapid.Check(t, func(t *rapid.T) {
		a, b := first.AddDays(rapid.IntRange(0, 3_650_000).Draw(t, "a")), first.AddDays(rapid.IntRange(0, 3_650_000).Draw(t, "b"))
		if before := a.Before(b); before != (a.Sub(b) < 0) || before != (a.String() < b.String()) || !a.Valid() {
			t.Fatalf("%s and %s: before %t, %d days apart", a, b, before, a.Sub(b))
		}
		n := rapid.IntRange(-1200, 1200).Draw(t, "months")
		if a.Year < 110 || a.Year > 9890 {
			return
		}
		later, end, until := a.AddMonths(n), a.EndOfMonth(n), a.KeepThrough(n)
		apart := (later.Year-a.Year)*12 + later.Month - a.Month
		if apart != n || !later.Valid() || later.Day > a.Day || end.Before(later) || end.AddDays(1).Day != 1 || until.Before(later) || until.Sub(later) > 1 {
			t.Fatalf("%s and %d months: %s, end %s, kept through %s", a, n, later, end, until)
		}
	})
}

// Dates are written as YYYY-MM-DD (ISO 8601), and those that no calendar has as what they are, so that a refusal can name them.
func TestDatesAreWritten(t *testing.T) {
	for want, d := range map[string]civil.Date{
		"": {}, "0001-01-01": {Year: 1, Month: 1, Day: 1}, "9999-12-31": {Year: 9999, Month: 12, Day: 31}, "10000-01-01": {Year: 10000, Month: 1, Day: 1},
		"-001-01-01": {Year: -1, Month: 1, Day: 1}, "2026-100-01": {Year: 2026, Month: 100, Day: 1}, "2026--1-01": {Year: 2026, Month: -1, Day: 1},
		"2026-01-100": {Year: 2026, Month: 1, Day: 100}, "2026-01--1": {Year: 2026, Month: 1, Day: -1}, "2026-99-99": {Year: 2026, Month: 99, Day: 99},
		"2026-00-00": {Year: 2026},
	} {
		if got := d.String(); got != want {
			t.Errorf("%#v is %q, want %q", d, got, want)
		}
	}
	for _, c := range []struct{ a, b string }{{"2025-12-31", "2026-01-01"}, {"2026-01-31", "2026-02-01"}, {"2026-02-01", "2026-02-02"}} {
		a, b := day(t, c.a), day(t, c.b)
		if !a.Before(b) || b.Before(a) || a.Before(day(t, c.a)) || a.Compare(b) != -1 || b.Compare(a) != 1 || a.Compare(day(t, c.a)) != 0 {
			t.Errorf("%s and %s are in the wrong order", a, b)
		}
	}
}

// Reference: package time of the standard library, which numbers days on its own; also years before 0, and months and days that no calendar has.
func TestDaysAreThoseOfTheStandardLibrary(t *testing.T) {
	utc := func(d civil.Date) time.Time {
		return time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
	}
	rapid.Check(t, func(t *rapid.T) {
		draw := func() civil.Date {
			return civil.Date{Year: rapid.IntRange(-9999, 9999).Draw(t, "year"), Month: rapid.IntRange(-30, 30).Draw(t, "month"), Day: rapid.IntRange(-800, 800).Draw(t, "day")}
		}
		d, e, n := draw(), draw(), rapid.IntRange(-800_000, 800_000).Draw(t, "days")
		if got, want := d.AddDays(n), civil.Of(utc(d).AddDate(0, 0, n)); got != want {
			t.Fatalf("%v and %d days are %v, want %v", d, n, got, want)
		}
		if got, want := d.Sub(e), int((utc(d).Unix()-utc(e).Unix())/86_400); got != want {
			t.Fatalf("from %v to %v are %d days, want %d", e, d, got, want)
		}
		month := civil.Date{Year: d.Year, Month: 1 + (d.Month+36)%12, Day: 31}
		if got, want := (civil.Date{Year: month.Year, Month: month.Month, Day: 1}).EndOfMonth(0).Day, time.Date(month.Year, time.Month(month.Month)+1, 0, 0, 0, 0, 0, time.UTC).Day(); got != want {
			t.Fatalf("month %d of %d ends on %d, want %d", month.Month, month.Year, got, want)
		}
	})
}

// Every day of 800 years comes after the one before.
func TestEveryDayComesAfterTheOneBefore(t *testing.T) {
	d, at := civil.Date{Year: 1600, Month: 1, Day: 1}, time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC)
	for d.Year < 2400 {
		d, at = d.AddDays(1), at.AddDate(0, 0, 1)
		if d != civil.Of(at) || !d.Valid() {
			t.Fatalf("%v, want %v", d, civil.Of(at))
		}
	}
}
