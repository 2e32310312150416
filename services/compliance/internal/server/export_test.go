package server_test

import (
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/sheet"
)

func (w *world) export(content compliancev1.ExportDueItemsRequest_Content, format compliancev1.ExportDueItemsRequest_Format) *compliancev1.ExportDueItemsResponse {
	w.t.Helper()
	return must(w.exchange.ExportDueItems(w.as("viewer"), &compliancev1.ExportDueItemsRequest{Content: content, Format: format}))(w.t)
}

// row is the row of a table whose cell of a column is a text.
func row(t *testing.T, file []byte, format sheet.Format, column, value string) map[string]string {
	t.Helper()
	table := must(sheet.Read(file, format, sheet.Options{}))(t)
	for _, r := range table.Rows {
		cells := map[string]string{}
		for i, cell := range r.Cells { // cells that are empty may be missing at the end
			cells[table.Header[i]] = cell
			if n, err := strconv.Atoi(cell); err == nil && strings.HasSuffix(table.Header[i], "_date") { // a workbook counts days from 30 December 1899 (ECMA-376-1, 18.17.4.1)
				cells[table.Header[i]] = time.Date(1899, 12, 30+n, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
			}
		}
		if cells[column] == value {
			return cells
		}
	}
	t.Fatalf("no row with %s = %s in %v", column, value, table.Rows)
	return nil
}

func (w *world) kept() {
	w.t.Helper()
	w.require("check", compliancev1.Requirement_INSPECTION, 200)
	w.done("check", 900, on(2026, 2, 1))
	w.inspect("vane", func(r *compliancev1.Requirement) {
		r.Kind, r.EffectiveDate, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, on(2026, 2, 1), limit(compliancev1.IntervalLimit_DAYS, 60), nil
	})
	w.inspect("other", func(r *compliancev1.Requirement) {
		r.Kind, r.EffectiveDate, r.Initial, r.Repeat = compliancev1.Requirement_DIRECTIVE, on(2026, 2, 1), limit(compliancev1.IntervalLimit_DAYS, 60), nil
		r.Applicability.EngineModels = []string{"engineModels/other"}
	})
}

// What a list says in a file is what the due list says; a directive that does not apply is listed with its reason (AMC M.A.305(c)1).
func TestListsAsTablesSayWhatTheDueListSays(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.kept()
		for _, f := range []struct {
			asked  compliancev1.ExportDueItemsRequest_Format
			format sheet.Format
		}{{compliancev1.ExportDueItemsRequest_CSV, sheet.CSV}, {compliancev1.ExportDueItemsRequest_XLSX, sheet.XLSX}} {
			due := row(t, w.export(compliancev1.ExportDueItemsRequest_DUE_LIST, f.asked).GetContent(), f.format, "requirement_code", "check")
			if due["due_date"] != "2026-04-11" || due["left_hours"] != "100:00" || due["driving_unit"] != "hours" || due["explanation"] != w.item("check").GetExplanation() {
				t.Errorf("%v", due)
			}
			last := row(t, w.export(compliancev1.ExportDueItemsRequest_LAST_AND_NEXT, f.asked).GetContent(), f.format, "requirement_code", "check")
			if last["last_done_date"] != "2026-02-01" || last["last_done_hours"] != "900:00" || last["next_due_hours"] != "1100:00" || last["record"] == "" {
				t.Errorf("%v", last)
			}
			directives := w.export(compliancev1.ExportDueItemsRequest_DIRECTIVES, f.asked).GetContent()
			if open := row(t, directives, f.format, "directive", "vane"); open["standing"] != "open" || open["next_due_date"] != "2026-04-02" {
				t.Errorf("%v", open)
			}
			if not := row(t, directives, f.format, "directive", "other"); not["standing"] != "not applicable" || not["reason"] == "" {
				t.Errorf("%v", not)
			}
		}
		life := w.export(compliancev1.ExportDueItemsRequest_LIFE_LIMITS, compliancev1.ExportDueItemsRequest_CSV)
		if table := must(sheet.Read(life.GetContent(), sheet.CSV, sheet.Options{}))(t); len(table.Rows) != 0 || !slices.Contains(table.Header, "remaining_cycles") {
			t.Errorf("%v", table)
		}
	})
}

// A printed list is built for archives, and another program reads from it what the due list says. Set COLDSECTION_TEST_KEEP to a folder
// to keep the pages for a look.
func TestListsArePrinted(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.kept()
		for content, wants := range map[compliancev1.ExportDueItemsRequest_Content][]string{
			compliancev1.ExportDueItemsRequest_DUE_LIST:      {"Due list", "D-1001", "2026-04-11", "100:00", "licensed person"},
			compliancev1.ExportDueItemsRequest_DIRECTIVES:    {"Directives", "vane", "open", "2026-04-02", "Does not apply"},
			compliancev1.ExportDueItemsRequest_LAST_AND_NEXT: {"Last done", "2026-02-01", "1100:00"},
			compliancev1.ExportDueItemsRequest_LIFE_LIMITS:   {"Life-limited parts", "The list is empty."},
		} {
			file := w.export(content, compliancev1.ExportDueItemsRequest_PDF)
			if file.GetMediaType() != "application/pdf" || !strings.HasSuffix(file.GetFileName(), ".pdf") {
				t.Errorf("%s, %s", file.GetMediaType(), file.GetFileName())
			}
			printingtest.CheckArchive(t, file.GetContent())
			text := printingtest.Text(t, file.GetContent())
			for _, want := range wants {
				if !strings.Contains(text, want) {
					t.Errorf("%s lacks %q:\n%s", content, want, text)
				}
			}
			if folder := os.Getenv("COLDSECTION_TEST_KEEP"); folder != "" {
				if err := os.WriteFile(folder+"/"+file.GetFileName(), file.GetContent(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
