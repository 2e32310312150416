package server_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/sheet"
)

// statusAt is the file of a status at one time, as it was known at another.
func (w *world) statusAt(format compliancev1.ExportDueItemsRequest_Format, at, known time.Time) []byte {
	w.t.Helper()
	return must(w.exchange.ExportDueItems(w.as("viewer"), &compliancev1.ExportDueItemsRequest{
		Content: compliancev1.ExportDueItemsRequest_STATUS, Format: format, Subject: "aircraft/plane", AsOfTime: timestamppb.New(at), KnownAtTime: timestamppb.New(known),
	}))(w.t).GetContent()
}

var numbered = regexp.MustCompile(`CL-[0-9A-F]{12}`)

// Check QUA-08: on every page of a printed list stand the number of the document, page of pages and the hash of the list, which is that of the
// same list as CSV; as of when it is, and was known, stands in it. Another time has another number.
func TestEveryPrintedPageHasNumberPageHashAndTimes(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for i := range 40 {
			w.inspect(fmt.Sprintf("check-%02d", i), func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, int64(30+i)) })
		}
		then := w.clock.Now()
		w.clock.Advance(26 * time.Hour)
		now := w.clock.Now()
		for name, c := range map[string]struct {
			pdf, csv []byte
			times    string
		}{
			"due list": {
				w.export(compliancev1.ExportDueItemsRequest_DUE_LIST, compliancev1.ExportDueItemsRequest_PDF).GetContent(),
				w.export(compliancev1.ExportDueItemsRequest_DUE_LIST, compliancev1.ExportDueItemsRequest_CSV).GetContent(),
				"As of 2026-03-03 11:00 UTC, as it was known at 2026-03-03 11:00 UTC.",
			},
			"status": {
				w.statusAt(compliancev1.ExportDueItemsRequest_PDF, then, now), w.statusAt(compliancev1.ExportDueItemsRequest_CSV, then, now),
				"As of 2026-03-02 09:00 UTC, as it was known at 2026-03-03 11:00 UTC.",
			},
		} {
			printingtest.CheckArchive(t, c.pdf)
			text, pages := printingtest.Text(t, c.pdf), len(printingtest.PageSizes(t, c.pdf))
			sum := sha256.Sum256(c.csv)
			hash := hex.EncodeToString(sum[:])
			number := numbered.FindString(text)
			for page := 1; page <= pages; page++ {
				if !strings.Contains(text, fmt.Sprintf("Page %d of %d", page, pages)) {
					t.Errorf("%s: page %d of %d does not say so", name, page, pages)
				}
			}
			numbers, hashes := strings.Count(text, number), strings.Count(text, hash[:16])
			if pages < 2 || number == "" || numbers < pages || hashes < pages || !strings.Contains(text, c.times) {
				t.Errorf("%s: %d pages, number %q %d times, hash %s %d times, times %q:\n%s", name, pages, number, numbers, hash[:16], hashes, c.times, text)
			}
		}
		number := func(at time.Time) string {
			return numbered.FindString(printingtest.Text(t, w.statusAt(compliancev1.ExportDueItemsRequest_PDF, at, now)))
		}
		one, other := number(then), number(now)
		if again := number(then); one == other || one != again {
			t.Errorf("numbers %s, %s at another time, and %s again", one, other, again)
		}
	})
}

// The status as a table says what the status says; a list of now is of no other time, and a status is of something.
func TestTheStatusOnADateIsATable(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.kept()
		now := w.clock.Now()
		check := row(t, w.statusAt(compliancev1.ExportDueItemsRequest_CSV, now, now), sheet.CSV, "requirement_code", "check")
		if check["last_done_date"] != "2026-02-01" || check["standing"] != "recurring" || check["next_due_hours"] != "1100:00" || check["record"] == "" || check["subject"] != "engines/one" {
			t.Errorf("%v", check)
		}
		ask := func(req *compliancev1.ExportDueItemsRequest) error {
			_, err := w.exchange.ExportDueItems(w.as("viewer"), req)
			return err
		}
		refused(t, ask(&compliancev1.ExportDueItemsRequest{Subject: "engines/one"}), "STATUS_ONLY")
		refused(t, ask(&compliancev1.ExportDueItemsRequest{Content: compliancev1.ExportDueItemsRequest_STATUS}), "SUBJECT_MISSING")
		refused(t, ask(&compliancev1.ExportDueItemsRequest{Content: compliancev1.ExportDueItemsRequest_STATUS, Subject: "engines/none"}), "NOT_FOUND")
		refused(t, ask(&compliancev1.ExportDueItemsRequest{
			Content: compliancev1.ExportDueItemsRequest_STATUS, Subject: "engines/one", AsOfTime: timestamppb.New(now.Add(time.Hour)),
		}), "TIME_IN_FUTURE")
	})
}
