// Package civil is arithmetic on civil dates: years, months and days without a time of day or zone.
//
// Month arithmetic clips to the last day of the month and never spills into the next one, unlike time.AddDate.
package civil

import (
	"cmp"
	"fmt"
	"time"
)

// Date is a day of the proleptic Gregorian calendar; the zero value is no date.
type Date struct {
	Year, Month, Day int
}

// Parse reads YYYY-MM-DD.
func Parse(s string) (Date, error) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date of the calendar; give YYYY-MM-DD", s)
	}
	return Of(t), nil
}

// Of is the civil date of an instant in its location.
func Of(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, int(m), d}
}

// IsZero reports whether there is no date.
func (d Date) IsZero() bool { return d == Date{} }

// Valid reports whether the calendar has this day.
func (d Date) Valid() bool {
	return d.Month >= 1 && d.Month <= 12 && d.Day >= 1 && d.Day <= lastDay(d.Year, d.Month)
}

// String is YYYY-MM-DD, empty for no date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	if d.Year < 0 || d.Year > 9999 || d.Month < 0 || d.Month > 99 || d.Day < 0 || d.Day > 99 {
		return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
	}
	digit := func(n int) byte { return byte('0' + n%10) } // many dates are written at once where a fleet is explained
	return string([]byte{
		digit(d.Year / 1000), digit(d.Year / 100), digit(d.Year / 10), digit(d.Year), '-', digit(d.Month / 10), digit(d.Month), '-', digit(d.Day / 10), digit(d.Day),
	})
}

// AddDays is n days later.
func (d Date) AddDays(n int) Date { return onDay(d.number() + n) }

// Sub is the number of days from e to d, however far apart they are; a time.Duration ends after 292 years.
func (d Date) Sub(e Date) int { return d.number() - e.number() }

// Days are numbered from 1 March of the year 0, so that a leap day is the last of its year: whole fleets are counted in days, which package time takes
// several times as long for. Months and days that the calendar has not run over, as they do there.
const (
	daysOf4Years   = 4*365 + 1
	daysOf100Years = 25*daysOf4Years - 1
	daysOf400Years = 4*daysOf100Years + 1
)

// number is the number of a day.
func (d Date) number() int {
	months := d.Year*12 + d.Month - 3
	year := floored(months, 12)
	month := months - year*12 // from March
	era := floored(year, 400)
	year -= era * 400
	return era*daysOf400Years + year*365 + year/4 - year/100 + (153*month+2)/5 + d.Day - 1
}

// onDay is the day of a number.
func onDay(n int) Date {
	era := floored(n, daysOf400Years)
	n -= era * daysOf400Years
	year := (n - n/(daysOf4Years-1) + n/daysOf100Years - n/(daysOf400Years-1)) / 365
	n -= year*365 + year/4 - year/100
	month := (5*n + 2) / 153
	day := n - (153*month+2)/5 + 1
	if year += era * 400; month >= 10 {
		return Date{year + 1, month - 9, day}
	}
	return Date{year, month + 3, day}
}

// floored is the quotient rounded down, also below 0.
func floored(a, b int) int {
	if a < 0 {
		return -((b - 1 - a) / b)
	}
	return a / b
}

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool {
	if d.Year != e.Year {
		return d.Year < e.Year
	}
	if d.Month != e.Month {
		return d.Month < e.Month
	}
	return d.Day < e.Day
}

// Compare is -1 when d is earlier than e, 1 when it is later, and 0 on the same day.
func (d Date) Compare(e Date) int {
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// AddMonths is the same day n months later, or the last day of that month when it has no such day.
func (d Date) AddMonths(n int) Date {
	months := d.Year*12 + d.Month - 1 + n
	y, m := months/12, months%12+1
	return Date{y, m, min(d.Day, lastDay(y, m))}
}

// EndOfMonth is the last day of the month that lies n months later: "calendar months".
func (d Date) EndOfMonth(n int) Date {
	e := Date{d.Year, d.Month, 1}.AddMonths(n)
	return Date{e.Year, e.Month, lastDay(e.Year, e.Month)}
}

// KeepThrough is the last day of a retention of n months: it rounds up where the month is too short.
func (d Date) KeepThrough(n int) Date {
	e := d.AddMonths(n)
	if e.Day < d.Day {
		return Date{e.Year, e.Month, e.Day}.AddDays(1)
	}
	return e
}

// lastDay is the number of days of a month.
func lastDay(year, month int) int { return Date{year, month + 1, 0}.AddDays(0).Day }
