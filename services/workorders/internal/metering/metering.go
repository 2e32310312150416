// Package metering says whether counters that were read can be those of an engine or an aircraft, by what the record has of it: a
// misread counter would move the next wash by years.
package metering

import "fmt"

// Counters are counters since new.
type Counters struct{ Seconds, Cycles, Starts int64 }

// Known are the counters of the record.
type Known struct {
	Counters

	// Days from the day that they speak of to the day of the reading, negative when the record goes further. Undated says that nobody knows.
	Days    int64
	Undated bool
	// Unrecorded says that nobody entered counters, so that nothing is held against them; those of a new engine are 0.
	Unrecorded bool
}

// Has reports whether a record says hours, and whether it says cycles and starts: 0 of one beside more than a day of the others was left out. Nothing
// flies for longer than a day without a cycle (our own bound, no source).
func (k Known) Has() (hours, cycles, starts bool) {
	if k.Unrecorded {
		return false, false, false
	}
	short := k.Seconds <= aDay.Seconds
	return k.Seconds > 0 || k.Cycles == 0 && k.Starts == 0, k.Cycles > 0 || short, k.Starts > 0 || short
}

// aDay is the most that one day adds: its 24 hours, and a cycle and a start in five minutes (common practice, no source).
var aDay = Counters{Seconds: 24 * 3600, Cycles: 288, Starts: 288}

// Check says what can't be of counters that were read, empty when nothing. They may be what the record has, more by what the days since
// allow, and less where the record has flown on since, or on the same day.
func Check(read Counters, known Known) string {
	hours, cycles, starts := known.Has()
	for _, c := range []struct {
		what             string
		has              bool
		read, known, day int64
	}{
		{"hours", hours, read.Seconds, known.Seconds, aDay.Seconds}, {"cycles", cycles, read.Cycles, known.Cycles, aDay.Cycles},
		{"starts", starts, read.Starts, known.Starts, aDay.Starts},
	} {
		switch least, most := known.span(c.known, c.day); {
		case !c.has:
		case c.read < least:
			return fmt.Sprintf("%s of %s are fewer than the %s of the record", text(c.what, c.read), c.what, text(c.what, c.known))
		case !known.Undated && c.read > most:
			return fmt.Sprintf("%s of %s are more than the %s of the record and %d days since allow", text(c.what, c.read), c.what, text(c.what, c.known), max(known.Days, 0)+1)
		}
	}
	return ""
}

// span is from where to where a counter of the record may be read.
func (k Known) span(counter, day int64) (least, most int64) {
	least = counter
	if k.Undated || k.Days <= 0 {
		least -= (1 - k.Days) * day
	}
	return least, counter + (max(k.Days, 0)+1)*day
}

// Falls says which counter is read lower at the end of work than at its beginning, empty when none is.
func Falls(start, end Counters) string {
	for _, c := range []struct {
		what       string
		start, end int64
	}{{"hours", start.Seconds, end.Seconds}, {"cycles", start.Cycles, end.Cycles}, {"starts", start.Starts, end.Starts}} {
		if c.end < c.start {
			return fmt.Sprintf("%s of %s at the end are fewer than the %s at the beginning", text(c.what, c.end), c.what, text(c.what, c.start))
		}
	}
	return ""
}

// text writes hours as hours and minutes, and pieces as they are.
func text(what string, n int64) string {
	if what != "hours" {
		return fmt.Sprint(n)
	}
	return fmt.Sprintf("%d:%02d", n/3600, n/60%60)
}
