package icalendar_test

import (
	"fmt"
	"strings"
	"time"

	"coldsection.example/services/platform/icalendar"
)

// A day that a calendar shows is a whole civil day; its uid never changes and its sequence counts its changes (RFC 5545, 3.8.7.4).
func ExampleWrite() {
	feed, err := icalendar.Write("Due", 12, []icalendar.Day{{
		UID: "due-1@example.com", Date: "2026-06-30", Changed: time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC), Sequence: 2, Summary: "Compressor wash",
	}})
	for line := range strings.SplitSeq(string(feed), "\r\n") {
		if name, _, _ := strings.Cut(line, ":"); strings.HasPrefix(name, "DTSTART") || name == "UID" || name == "SEQUENCE" {
			fmt.Println(line)
		}
	}
	fmt.Println(err)
	// Output:
	// UID:due-1@example.com
	// SEQUENCE:2
	// DTSTART;VALUE=DATE:20260630
	// <nil>
}
