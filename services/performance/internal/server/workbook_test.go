package server_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage/storagetest"
)

// logRow is a line of a log as somebody fills it in, with its time and some cells replaced.
func logRow(at any, replaced map[int]any) []any {
	row := []any{"DEMO-1", at, 300, 15, 1700, 1700, 90, 650, 250}
	for i, cell := range replaced {
		row[i] = cell
	}
	return row
}

var (
	logHeader = []any{"engine_serial", "time_utc", "pressure_altitude_m", "oat_c", "torque_nm", "np_rpm", "ng_pct", "itt_c", "fuel_flow_kg_h"}
	unitRow   = []any{"", "UTC", "m", "°C", "N·m", "rpm", "%", "°C", "kg/h"}
	fiveUTC   = "2026-09-07T05:00Z"
)

// workbook makes an XLSX file of rows from the first line on; nil is a blank one.
func workbook(t *testing.T, change func(f *excelize.File) error, rows ...[]any) []byte {
	t.Helper()
	f := excelize.NewFile()
	for i, row := range rows {
		at, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.SetSheetRow("Sheet1", at, &row); err != nil {
			t.Fatal(err)
		}
	}
	if change != nil {
		if err := change(f); err != nil {
			t.Fatal(err)
		}
	}
	var file bytes.Buffer
	if err := f.Write(&file); err != nil {
		t.Fatal(err)
	}
	return file.Bytes()
}

// A workbook as a shop keeps it is read as it is meant, or what can't be is refused with the thing, the rule and the next move.
func TestWorkbooksAsPeopleKeepThem(t *testing.T) {
	b := benchOn(t, storagetest.SQLite(t, store.Migrations()))
	b.withModel(nil)
	in1904 := func(f *excelize.File) error {
		yes := true
		return f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &yes})
	}
	second := func(f *excelize.File) error {
		_, err := f.NewSheet("Notes")
		return err
	}
	hidden := func(f *excelize.File) error {
		if err := second(f); err != nil {
			return err
		}
		return f.SetSheetVisible("Notes", false)
	}
	named := func(at int, heading string) []any {
		header := append([]any{}, logHeader...)
		header[at] = heading
		return header
	}
	for name, c := range map[string]struct {
		change func(f *excelize.File) error
		rows   [][]any
		taken  int32    // all of 05:00 UTC, 15.5 or 15 °C and 1,700 N·m
		says   []string // the refusal, or the first problem: its reason, and what it says
	}{
		"as asked":                  {rows: [][]any{logHeader, logRow(fiveUTC, nil)}, taken: 1},
		"a title above":             {rows: [][]any{{"Engine log, shop 2"}, nil, logHeader, logRow(fiveUTC, nil)}, says: []string{"HEADER_INVALID", "Engine log, shop 2", "line 3", "Remove"}},
		"a day number":              {rows: [][]any{logHeader, logRow(46272+5.0/24, nil)}, taken: 1},
		"a day number of 1904":      {change: in1904, rows: [][]any{logHeader, logRow(46272-1462+5.0/24, nil)}, taken: 1}, // ECMA-376 part 1, 18.17.4.1
		"a time without zone":       {rows: [][]any{logHeader, logRow("2026-09-07 05:00", nil)}, taken: 1},                // the heading says UTC
		"a time of another zone":    {rows: [][]any{logHeader, logRow("2026-09-07T07:00+02:00", nil)}, taken: 1},
		"a zone that is a name":     {rows: [][]any{logHeader, logRow("2026-09-07 07:00 CEST", nil)}, says: []string{"TIME_INVALID", "CEST", "2026-03-01T06:54Z"}},
		"a day that could be two":   {rows: [][]any{logHeader, logRow("07/09/2026 05:00", nil)}, says: []string{"TIME_INVALID", "07/09/2026", "2026-03-01T06:54Z"}},
		"local times":               {rows: [][]any{named(1, "Time (local)"), logRow("2026-09-07 07:00", nil)}, says: []string{"HEADER_INVALID", "Time (local)", "time_utc"}},
		"days alone":                {rows: [][]any{logHeader, logRow(46271, nil), logRow(46272, nil)}, says: []string{"TIME_INVALID", "2026-09-06", "one cell"}},
		"a decimal comma":           {rows: [][]any{logHeader, logRow(fiveUTC, map[int]any{3: "15,5"})}, taken: 1},
		"a point that could group":  {rows: [][]any{logHeader, logRow(fiveUTC, map[int]any{3: "15,5", 4: "1.700"})}, says: []string{"VALUE_AMBIGUOUS", "1.700", "Make it a number"}},
		"a point and a comma":       {rows: [][]any{logHeader, logRow(fiveUTC, map[int]any{4: "1.700,0"})}, says: []string{"VALUE_AMBIGUOUS", "1.700,0", "without grouping"}},
		"a unit in the heading":     {rows: [][]any{named(3, "OAT (°C)"), logRow(fiveUTC, nil)}, taken: 1},
		"a unit nowhere":            {rows: [][]any{named(3, "OAT"), logRow(fiveUTC, nil)}, says: []string{"HEADER_INVALID", "OAT", "oat_c"}},
		"a unit in a second header": {rows: [][]any{logHeader, unitRow, logRow(fiveUTC, nil)}, taken: 1, says: []string{"VALUE_MISSING", "remove the row"}},
		"a unit in the cell":        {rows: [][]any{logHeader, logRow(fiveUTC, map[int]any{3: "15 °C"})}, says: []string{"VALUE_NOT_A_NUMBER", "15 °C", "Give digits"}},
		"one thing in two columns":  {rows: [][]any{append(named(3, "OAT °C"), "OAT (°F)"), append(logRow(fiveUTC, nil), 59)}, says: []string{"HEADER_INVALID", "OAT (°F)", "Keep one"}},
		"a column twice":            {rows: [][]any{append(named(3, "oat_c"), "oat_c"), append(logRow(fiveUTC, nil), 15)}, says: []string{"HEADER_INVALID", "oat_c", "Keep one"}},
		"two sheets":                {change: second, rows: [][]any{logHeader, logRow(fiveUTC, nil)}, says: []string{"SHEET_UNCLEAR", "Sheet1, Notes", "Name one"}},
		"a hidden second sheet":     {change: hidden, rows: [][]any{logHeader, logRow(fiveUTC, nil)}, taken: 1},
		"blank rows between":        {rows: [][]any{nil, logHeader, nil, logRow(fiveUTC, nil), nil, nil, logRow(fiveUTC, map[int]any{0: "DEMO-2"})}, taken: 2},
		"a serial number once":      {rows: [][]any{logHeader, logRow(fiveUTC, nil), logRow(fiveUTC, map[int]any{0: nil})}, taken: 1, says: []string{"VALUE_MISSING", "Fill it in"}},
		"a sum that failed":         {rows: [][]any{logHeader, logRow(fiveUTC, map[int]any{4: "#DIV/0!"})}, says: []string{"VALUE_NOT_A_NUMBER", "#DIV/0!"}},
	} {
		got, err := b.ImportReadings(b.as("technician"), &performancev1.ImportReadingsRequest{Content: workbook(t, c.change, c.rows...), ValidateOnly: true})
		reason, text := "", ""
		if f, refused := fault.As(err); refused {
			reason, text = f.Reason, f.Message
		} else if err != nil {
			t.Fatal(err)
		}
		for _, p := range got.GetProblems() {
			if reason == "" && p.GetRefused() {
				reason, text = p.GetReason(), p.GetText()
			}
		}
		for i, want := range c.says {
			if i == 0 && reason != want || i > 0 && !strings.Contains(text, want) {
				t.Errorf("%s: %s: %s; want %q", name, reason, text, want)
			}
		}
		if got.GetRowsTaken() != c.taken || len(c.says) == 0 && reason != "" {
			t.Errorf("%s: %d taken, want %d; %s: %s", name, got.GetRowsTaken(), c.taken, reason, text)
		}
		for _, r := range got.GetReadings() {
			if !r.GetReadTime().AsTime().Equal(morning.Add(-time.Hour)) || r.GetTorque().GetText() != "1700" || r.GetOat().GetText() != "15" && r.GetOat().GetText() != "15.5" {
				t.Errorf("%s: %v", name, r)
			}
		}
	}
}
