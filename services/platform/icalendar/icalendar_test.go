package icalendar_test

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/icalendar"
)

var changed = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// reader is another program that reads calendars, written by others: Debian's python3-icalendar.
const reader = `
import icalendar, json, sys
cal = icalendar.Calendar.from_ical(sys.stdin.buffer.read())
assert str(cal["VERSION"]) == "2.0" and str(cal["PRODID"])
print(json.dumps([dict(uid=str(e["UID"]), start=e["DTSTART"].dt.isoformat(), end=e["DTEND"].dt.isoformat(), stamp=e["DTSTAMP"].dt.isoformat(),
  sequence=int(e["SEQUENCE"]), summary=str(e["SUMMARY"]), description=str(e["DESCRIPTION"]), status=str(e["STATUS"]), busy=str(e["TRANSP"]))
  for e in cal.walk("VEVENT")]))
`

type entry struct {
	UID         string `json:"uid"`
	Start       string `json:"start"`
	End         string `json:"end"`
	Stamp       string `json:"stamp"`
	Summary     string `json:"summary"`
	Description string `json:"description"`
	Status      string `json:"status"`
	Busy        string `json:"busy"`
	Sequence    int    `json:"sequence"`
}

func read(t *testing.T, calendar []byte) (out []entry) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "/usr/bin/python3", "-c", reader)
	cmd.Stdin = bytes.NewReader(calendar)
	var trouble bytes.Buffer
	cmd.Stderr = &trouble
	answer, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s\n%s", err, trouble.String(), calendar)
	}
	if err := json.Unmarshal(answer, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// What another program reads is what was written, whatever the text (RFC 5545, 3.3.11).
func TestAnotherProgramReadsWhatIsWritten(t *testing.T) {
	days := []icalendar.Day{
		{
			UID: "a@demo", Date: "2028-02-29", Changed: changed, Sequence: 3, Summary: `Wash; engine D-1, left \ right: "demonstration only"`,
			Description: "First line, with comma;\nsecond line – " + strings.Repeat("é€", 60),
		},
		{UID: "b@demo", Date: "2026-12-31", Changed: changed.Add(time.Hour), Summary: "Check", Description: "x", Cancelled: true},
	}
	text, err := icalendar.Write("Due, demonstration", 4, days)
	if err != nil {
		t.Fatal(err)
	}
	want := []entry{
		{UID: "b@demo", Start: "2026-12-31", End: "2027-01-01", Stamp: "2026-03-02T10:00:00+00:00", Summary: "Check", Description: "x", Status: "CANCELLED", Busy: "TRANSPARENT"},
		{
			UID: "a@demo", Start: "2028-02-29", End: "2028-03-01", Stamp: "2026-03-02T09:00:00+00:00", Sequence: 3, Summary: days[0].Summary,
			Description: days[0].Description, Status: "CONFIRMED", Busy: "TRANSPARENT",
		},
	}
	if got := read(t, text); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if again, err := icalendar.Write("Due, demonstration", 4, []icalendar.Day{days[1], days[0]}); err != nil || !bytes.Equal(again, text) {
		t.Errorf("the same entries in another order are other bytes: %v", err)
	}
	if _, err := icalendar.Write("x", 4, []icalendar.Day{{UID: "c", Date: "2026-02-30"}}); err == nil {
		t.Error("30 February is written")
	}
}

// RFC 5545, 3.1: lines end in CRLF and have at most 75 octets without it; no character is torn apart.
func TestLinesAreShortAndWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := icalendar.Day{UID: "a@demo", Date: "2026-03-02", Changed: changed, Summary: rapid.String().Draw(t, "summary"), Description: rapid.String().Draw(t, "description")}
		text, err := icalendar.Write(rapid.String().Draw(t, "name"), 4, []icalendar.Day{d})
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(string(text), "\r\n")
		if lines[len(lines)-1] != "" || strings.ContainsAny(strings.Join(lines, ""), "\r\n") {
			t.Fatalf("a line ends in something else than CRLF: %q", text)
		}
		for _, line := range lines {
			if len(line) > 75 || !utf8.ValidString(line) {
				t.Fatalf("%d octets, valid %t: %q", len(line), utf8.ValidString(line), line)
			}
		}
	})
}

// RFC 7986, 5.7: the interval is a DURATION, and RFC 5545 allows a parameter once.
func TestAReaderIsAskedOnceHowOftenToComeBack(t *testing.T) {
	feed, err := icalendar.Write("Due", 12, nil)
	if err != nil || !strings.Contains(string(feed), "\r\nREFRESH-INTERVAL;VALUE=DURATION:PT12H\r\n") {
		t.Errorf("%v\n%s", err, feed)
	}
}
