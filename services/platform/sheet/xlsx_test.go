package sheet_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// workbook makes an XLSX file the way a person does, cell by cell.
func workbook(t *testing.T, fill func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	fill(f)
	var out bytes.Buffer
	if err := f.Write(&out); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func setRow(t *testing.T, f *excelize.File, cell string, values ...any) {
	t.Helper()
	if err := f.SetSheetRow("Sheet1", cell, &values); err != nil {
		t.Fatal(err)
	}
}

func TestDatesAndNumbersOfAWorkbook(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 54, 0, 0, time.UTC)
	data := workbook(t, func(f *excelize.File) {
		setRow(t, f, "A1", "engine_serial", "time_utc", "OAT (°C)", "torque_nm", "due", "washed")
		setRow(t, f, "A2", "DEMO-1", at, 21.6, 1700, time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC), true)
		setRow(t, f, "A4", 1001, "2026-03-01T06:54Z", "21,6", 0.1+0.2, "2026-04-01", "no")
		setRow(t, f, "A5", "DEMO-1", 46113.5, "#DIV/0!", nil, 46113.5)
	})
	table, err := sheet.Read(data, sheet.Detect(data), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(engine...)
	if err != nil || len(bound.Records) != 2 {
		t.Fatalf("got %+v, %v", bound, err)
	}
	for i, want := range []string{"DEMO-1|2026-03-01T06:54:00Z|21.6|1700|2026-04-01|true", "1001|2026-03-01T06:54:00Z|21.6|0.3|2026-04-01|false"} {
		var got []string
		for _, name := range []string{"engine_serial", "time_utc", "oat", "torque", "due", "washed"} {
			got = append(got, bound.Records[i].Get(name).Text)
		}
		if strings.Join(got, "|") != want {
			t.Errorf("got %v, want %s", got, want)
		}
	}
	if len(bound.Problems) != 2 || bound.Problems[0].Line != 5 || bound.Problems[0].Reason != "VALUE_NOT_A_NUMBER" || bound.Problems[1].Reason != "DATE_INVALID" {
		t.Errorf("got %+v", bound.Problems)
	}
}

// The serial 1 is 2 January 1904 in a workbook of that system (ECMA-376 part 1, 18.17.4.1).
func TestAWorkbookThatCountsFrom1904(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		yes := true
		if err := f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &yes}); err != nil {
			t.Fatal(err)
		}
		setRow(t, f, "A1", "due")
		setRow(t, f, "A2", 44651)
	})
	table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(sheet.Want{Name: "due", Kind: sheet.Date})
	if err != nil || len(bound.Records) != 1 || bound.Records[0].Get("due").Text != "2026-04-01" {
		t.Errorf("got %+v, %v", bound, err)
	}
}

func TestFormulasAreNotComputed(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		setRow(t, f, "A1", "note", "cycles")
		setRow(t, f, "A2", "sum", 1)
		if err := f.SetCellFormula("Sheet1", "B2", "1+41"); err != nil {
			t.Fatal(err)
		}
	})
	table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := table.Rows[0].Cells; len(got) > 1 && got[1] == "42" {
		t.Errorf("got %v", got)
	}
}

func TestTheSheetOfAWorkbookMustBeClear(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		setRow(t, f, "A1", "cycles")
		if _, err := f.NewSheet("Notes"); err != nil {
			t.Fatal(err)
		}
	})
	_, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
	if !fault.HasReason(err, "SHEET_UNCLEAR") || !strings.Contains(err.Error(), "Sheet1, Notes") {
		t.Errorf("got %v", err)
	}
	for name, reason := range map[string]string{"Sheet1": "", "Notes": "HEADER_INVALID", "Other": "SHEET_UNCLEAR"} {
		if _, err := sheet.Read(data, sheet.XLSX, sheet.Options{Sheet: name}); reason == "" && err != nil || reason != "" && !fault.HasReason(err, reason) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestAFileThatIsNoWorkbook(t *testing.T) {
	for _, data := range []string{"PK\x03\x04 and no more", "oat_c\n15\n", ""} {
		if _, err := sheet.Read([]byte(data), sheet.XLSX, sheet.Options{}); !fault.HasReason(err, "FILE_UNREADABLE") {
			t.Errorf("%q: got %v", data, err)
		}
	}
}

func TestRowsAndColumnsOfAWorkbookAreLimited(t *testing.T) {
	for cell, limits := range map[string]sheet.Limits{"XFD2": {}, "A1048576": {Rows: 1000}} {
		data := workbook(t, func(f *excelize.File) {
			setRow(t, f, "A1", "cycles")
			setRow(t, f, cell, 1)
		})
		if _, err := sheet.Read(data, sheet.XLSX, sheet.Options{Limits: limits}); !fault.HasReason(err, "TABLE_TOO_LARGE") {
			t.Errorf("%s: got %v", cell, err)
		}
	}
}

// A text such as 1.234 beside texts with decimal commas may be thousands, as in a CSV file of the same rows; the number 1.234 is one. Columns
// that are left out take nothing of the others with them.
func TestTextsOfAWorkbookWithDecimalCommas(t *testing.T) {
	for name, c := range map[string]struct {
		fill func(f *excelize.File)
		want string
	}{
		"text beside commas":       {func(f *excelize.File) { setRow(t, f, "B2", "21,5", "1.234"); setRow(t, f, "B3", "20", "1700") }, "VALUE_AMBIGUOUS 2 torque_nm|20|1700"},
		"a number beside commas":   {func(f *excelize.File) { setRow(t, f, "B2", "21,5", 1.234); setRow(t, f, "B3", "20", 1700) }, "21.5|1.234|20|1700"},
		"text without any comma":   {func(f *excelize.File) { setRow(t, f, "B2", 21.5, "1.234"); setRow(t, f, "B3", 20, 1700) }, "21.5|1.234|20|1700"},
		"texts without any number": {func(f *excelize.File) { setRow(t, f, "B2", "21,5", "1,234"); setRow(t, f, "B3", "20", "1.700") }, "21.5|1.234|VALUE_AMBIGUOUS 3 torque_nm"},
	} {
		data := workbook(t, func(f *excelize.File) {
			setRow(t, f, "A1", "note", "oat_c", "torque_nm")
			c.fill(f)
		})
		table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		table.Drop(0)
		bound, err := table.Bind(engine[2], engine[3])
		if err != nil {
			t.Fatal(err)
		}
		lines := map[int]string{}
		for _, r := range bound.Records {
			lines[r.Line] = r.Get("oat").Text + "|" + r.Get("torque").Text
		}
		for _, p := range bound.Problems {
			lines[p.Line] = fmt.Sprintf("%s %d %s", p.Reason, p.Line, p.Column)
		}
		if got := lines[2] + "|" + lines[3]; got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// Times that are whole days, all of them, come of a column of days beside one of times: every reading would stand at midnight. One midnight
// may be one.
func TestAColumnOfDaysIsNoColumnOfTimes(t *testing.T) {
	for name, c := range map[string]struct {
		cells []any
		taken int
	}{
		"days":                {[]any{46082, 46083, 46083}, 0},
		"days, one left out":  {[]any{46082, nil, 46083}, 0},
		"one midnight":        {[]any{46082}, 1},
		"times, one midnight": {[]any{46082, 46082.25, 46083.75}, 3},
		"midnights that show": {[]any{46082, 46083}, 2}, // formatted below
		"texts with times":    {[]any{"2026-03-01T00:00Z", "2026-03-02T00:00Z"}, 2},
	} {
		data := workbook(t, func(f *excelize.File) {
			setRow(t, f, "A1", "time_utc", "note")
			for i, cell := range c.cells {
				setRow(t, f, fmt.Sprintf("A%d", i+2), cell, "x")
			}
			if name != "midnights that show" {
				return
			}
			style, err := f.NewStyle(&excelize.Style{NumFmt: 22}) // day and time of day (ECMA-376 part 1, 18.8.30)
			if err != nil || f.SetCellStyle("Sheet1", "A2", "A3", style) != nil {
				t.Fatal(err)
			}
		})
		table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		bound, err := table.Bind(sheet.Want{Name: "time_utc", Kind: sheet.Time}, sheet.Want{Name: "note"})
		if err != nil {
			t.Fatal(err)
		}
		taken := 0
		for _, r := range bound.Records {
			if r.Get("time_utc").Given {
				taken++
			}
		}
		if taken != c.taken {
			t.Errorf("%s: %d taken, want %d: %+v", name, taken, c.taken, bound.Problems)
		}
		for _, p := range bound.Problems {
			if p.Reason != "TIME_INVALID" || !strings.Contains(p.Text, "days without a time of day, here 2026-03-0") {
				t.Errorf("%s: %+v", name, p)
			}
		}
	}
}
