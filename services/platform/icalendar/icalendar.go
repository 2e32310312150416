// Package icalendar writes calendars that other programs subscribe to (RFC 5545): whole days with stable ids and sequence
// numbers, the same bytes for the same content, lines that end in CRLF and have at most 75 octets.
package icalendar

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
)

// MediaType is that of a calendar (RFC 5545, 8.1).
const MediaType = "text/calendar; charset=utf-8"

// Day is an entry that takes a whole civil day and keeps nobody busy.
type Day struct {
	UID         string    // the same for ever
	Date        string    // YYYY-MM-DD
	Changed     time.Time // when it last changed, not when it is read
	Sequence    int       // one more with every change
	Summary     string
	Description string
	Cancelled   bool
}

// Write makes the calendar of a name; refresh is how often a reader is asked to look again, in whole hours. It fails on a day that
// the calendar does not have.
func Write(name string, refreshHours int, days []Day) ([]byte, error) {
	cal := ics.NewCalendar()
	cal.SetProductId("-//coldsection//calendar 1//EN")
	cal.SetVersion("2.0")
	cal.SetXWRCalName(plain(name))
	cal.SetRefreshInterval(fmt.Sprintf("PT%dH", refreshHours))
	sorted := slices.Clone(days)
	slices.SortFunc(sorted, func(a, b Day) int { return strings.Compare(a.Date+" "+a.UID, b.Date+" "+b.UID) })
	for _, d := range sorted {
		if err := add(cal, d); err != nil {
			return nil, err
		}
	}
	var out bytes.Buffer
	err := cal.SerializeTo(&out, ics.WithNewLineWindows, ics.WithLineLength(75))
	return out.Bytes(), err
}

// lastYear is the last one that a date has room for, which is four digits long (RFC 5545, 3.3.4).
const lastYear = 9999

func add(cal *ics.Calendar, d Day) error {
	date, err := time.Parse(time.DateOnly, d.Date)
	if err != nil {
		return fmt.Errorf("icalendar: %s: %w", d.UID, err)
	}
	e := cal.AddEvent(d.UID)
	e.SetDtStampTime(d.Changed.UTC())
	e.SetModifiedAt(d.Changed.UTC())
	e.SetSequence(d.Sequence)
	e.SetAllDayStartAt(date)
	if end := date.AddDate(0, 0, 1); end.Year() <= lastYear { // the end is not part of the entry; without one it takes the day (RFC 5545, 3.6.1)
		e.SetAllDayEndAt(end)
	}
	e.SetSummary(plain(d.Summary))
	e.SetDescription(plain(d.Description))
	e.SetTimeTransparency(ics.TransparencyTransparent)
	e.SetStatus(ics.ObjectStatusConfirmed)
	if d.Cancelled {
		e.SetStatus(ics.ObjectStatusCancelled)
	}
	return nil
}

// plain leaves out control characters, which a line of a calendar can't carry, except the line feed.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && (r < ' ' || r == 0x7f) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
}
