package server_test

import (
	"bytes"
	"testing"

	"github.com/xuri/excelize/v2"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// planeBook is a workbook of one aircraft whose hours stand in a cell with a number format; "" is none.
func planeBook(t *testing.T, hours any, format string) string {
	t.Helper()
	f := excelize.NewFile()
	for cell, v := range map[string]any{
		"A1": "aircraft_id", "B1": "registration", "C1": "regime", "D1": "operating_hours", "E1": "counters_date", "F1": "cycles",
		"A2": "sheet", "B2": "DEMO-9", "C2": "EASA", "D2": hours, "E2": "2026-03-01", "F2": 700,
	} {
		if err := f.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	if format != "" {
		style := must(f.NewStyle(&excelize.Style{CustomNumFmt: &format}))(t)
		if err := f.SetCellStyle("Sheet1", "D2", "D2", style); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	if err := f.Write(&out); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// Hours of an imported workbook are the same whether a cell shows hours and minutes, which it holds as a part of a day (51.4375 days are 1,234.5 h), or
// has them as a text or a number. A cell that shows the time of a day hides what it holds, and is refused by line, column and what to do; nothing is kept.
func TestHoursOfAnImportedWorkbook(t *testing.T) {
	for _, c := range []struct {
		hours  any
		format string
	}{{51.4375, "[h]:mm"}, {"1234:30", ""}, {1234.5, ""}} {
		w := onSQLite(t)
		w.taken(compliancev1.FleetRows_AIRCRAFT, planeBook(t, c.hours, c.format))
		plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/sheet"}))(t)
		if got := plane.GetCounters().GetOperatingSeconds(); got != 4_444_200 {
			t.Errorf("%v as %q: %d s", c.hours, c.format, got)
		}
	}
	w := onSQLite(t)
	before := w.everyTable()
	got := must(w.imports(compliancev1.FleetRows_AIRCRAFT, planeBook(t, 51.4375, "hh:mm")))(t)
	const want = `The cell shows "10:30" and holds 1234:30:00 hours. Format the column as [h]:mm and look at it again, or send it as text such as 1234:30.`
	if f := got.GetFaults(); len(f) != 1 || f[0].GetLine() != 2 || f[0].GetColumn() != "operating_hours" || f[0].GetReason() != "VALUE_INVALID" || f[0].GetExplanation() != want {
		t.Errorf("%v", got)
	}
	if after := w.everyTable(); after != before {
		t.Errorf("before %s\nafter  %s", before, after)
	}
}
