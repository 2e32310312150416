package icalendar_test

import (
	"strings"
	"testing"

	"coldsection.example/services/platform/icalendar"
)

// Odd texts come out of another program as they went in, line breaks as line feeds; days on which clocks are set and years end are whole days.
func TestAnotherProgramReadsOddTexts(t *testing.T) {
	odd := map[string]string{
		"very long":            strings.Repeat("Inspect the first stage, then; ", 2000),
		"long without a space": strings.Repeat("ß", 5000),
		"commas at the fold":   strings.Repeat(",;", 100),
		"emoji":                strings.Repeat("👩🏽‍🔧 🛩️ ", 40),
		"right to left":        "فحص المحرك, ثم; \\ الغسيل",
		"like a property":      "END:VEVENT\nBEGIN:VEVENT\nUID:other@demo",
		"line feeds":           "one\ntwo\n\nthree",
	}
	for name, text := range odd {
		days := []icalendar.Day{
			{UID: "a@demo", Date: "2026-03-29", Changed: changed, Summary: text, Description: text}, {UID: "b@demo", Date: "2026-10-25", Changed: changed, Summary: "x", Description: "x"},
			{UID: "c@demo", Date: "2026-11-01", Changed: changed, Summary: "x", Description: "x"}, {UID: "d@demo", Date: "2027-12-31", Changed: changed, Summary: "x", Description: "x"},
		}
		calendar, err := icalendar.Write(text, 4, days)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		got := read(t, calendar)
		if len(got) != len(days) || got[0].UID != "a@demo" || got[0].Summary != text || got[0].Description != text {
			t.Errorf("%s: %d entries, the first %.300q", name, len(got), got[0].Summary)
			continue
		}
		for i, end := range []string{"2026-03-30", "2026-10-26", "2026-11-02", "2028-01-01"} {
			if got[i].Start != days[i].Date || got[i].End != end {
				t.Errorf("%s: %s to %s, want %s to %s", name, got[i].Start, got[i].End, days[i].Date, end)
			}
		}
	}
	calendar, err := icalendar.Write("a\r\nb", 4, []icalendar.Day{{UID: "a@demo", Date: "2026-03-29", Changed: changed, Summary: "one\r\ntwo", Description: "three\r\nfour"}})
	if err != nil {
		t.Fatal(err)
	}
	if got := read(t, calendar); len(got) != 1 || got[0].Summary != "one\ntwo" || got[0].Description != "three\nfour" {
		t.Errorf("CR LF: %+v", got)
	}
	// The other program undoes a backslash before a comma in the wrong order, so the bytes are held against RFC 5545, 3.3.11.
	calendar, err = icalendar.Write("x", 4, []icalendar.Day{{UID: "a@demo", Date: "2026-03-29", Changed: changed, Summary: `a\, b\; c\\ d\n e`}})
	if want := `SUMMARY:a\\\, b\\\; c\\\\ d\\n e` + "\r\n"; err != nil || !strings.Contains(string(calendar), want) {
		t.Errorf("%v, want %s in %s", err, want, calendar)
	}
}
