package sheet_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// stockColumns are a list of stock as a clerk keeps it.
var stockColumns = []sheet.Want{
	{Name: "lot", Required: true}, {Name: "quantity", Kind: sheet.Number}, {Name: "use_by", Kind: sheet.Date}, {Name: "place"},
}

// dirty reads a workbook of stock that a person filled.
func dirty(t *testing.T, fill func(f *excelize.File)) *sheet.Bound {
	t.Helper()
	data := workbook(t, func(f *excelize.File) {
		setRow(t, f, "A1", "lot", "quantity", "use_by", "place")
		fill(f)
	})
	table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(stockColumns...)
	if err != nil {
		t.Fatal(err)
	}
	return bound
}

// told are the problems of a table as line, column and reason.
func told(b *sheet.Bound) (all []string) {
	for _, p := range b.Problems {
		all = append(all, fmt.Sprintf("%d %s %s", p.Line, p.Column, p.Reason))
	}
	return all
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// styled gives a cell a number format: one of the workbook's own, or one of the standard's.
func styled(t *testing.T, f *excelize.File, cell, custom string, standard int) {
	t.Helper()
	style := &excelize.Style{NumFmt: standard}
	if custom != "" {
		style.CustomNumFmt = &custom
	}
	id, err := f.NewStyle(style)
	must(t, err)
	must(t, f.SetCellStyle("Sheet1", cell, cell, id))
}

// A row that a filter hides is in the file all the same, and whoever sent it did not see it.
func TestHiddenRowsAreTold(t *testing.T) {
	got := dirty(t, func(f *excelize.File) {
		for line := 2; line <= 5; line++ {
			setRow(t, f, fmt.Sprintf("A%d", line), fmt.Sprintf("L%d", line), line)
		}
		must(t, f.SetRowVisible("Sheet1", 3, false))
		must(t, f.SetRowVisible("Sheet1", 9, false)) // with nothing in it
	})
	if all := told(got); len(all) != 1 || all[0] != "3  ROW_HIDDEN" || len(got.Records) != 3 || got.Records[1].Line != 4 {
		t.Errorf("told %q, %d records", all, len(got.Records))
	}
}

// A merged cell shows its value beside every row, and the file has it for the first only: the others would come in without a lot's number or a
// last day, and nobody would be told.
func TestMergedCellsAreTold(t *testing.T) {
	got := dirty(t, func(f *excelize.File) {
		for line := 2; line <= 6; line++ {
			setRow(t, f, fmt.Sprintf("A%d", line), fmt.Sprintf("L%d", line), line, "2027-06-30", "shelf")
		}
		must(t, f.MergeCell("Sheet1", "C3", "C4"))
		must(t, f.MergeCell("Sheet1", "B6", "D6"))
		must(t, f.MergeCell("Sheet1", "A20", "B30")) // notes under the table
	})
	if all := strings.Join(told(got), ", "); all != "3 use_by CELLS_MERGED, 4 use_by CELLS_MERGED, 6 quantity CELLS_MERGED" || len(got.Records) != 2 {
		t.Errorf("told %q, %d records", all, len(got.Records))
	}
	if got := dirty(t, func(f *excelize.File) { setRow(t, f, "A2", "L2", 1, "", "mergeCell ") }); len(got.Problems) != 0 || len(got.Records) != 1 {
		t.Errorf("without merged cells: %v", got)
	}
}

// A lot's number is a text also where a spreadsheet made a number or a date of it: zeros before it stay, and what is gone is asked for.
func TestANumberThatIsATextIsNotGuessed(t *testing.T) {
	for what, c := range map[string]struct {
		value    any
		custom   string
		standard int
		want     string // empty where it is refused
	}{
		"digits":                        {12345, "", 0, "12345"},
		"digits as text":                {"0012345", "", 49, "0012345"},
		"with zeros before it":          {12345, "0000000", 0, "0012345"},
		"grouped":                       {12345, "#,##0", 0, "12345"},
		"a date, once 3-4":              {time.Date(2026, 4, 3, 0, 0, 0, 0, time.UTC), "", 16, ""},
		"a date, once 3/4/26":           {time.Date(2026, 4, 3, 0, 0, 0, 0, time.UTC), "", 14, ""},
		"a day":                         {time.Date(2026, 4, 3, 0, 0, 0, 0, time.UTC), "yyyy-mm-dd", 0, ""},
		"a time, once 12:30":            {0.5208333, "", 20, ""},
		"a power, once 12E5":            {1200000, "", 11, ""},
		"fifteen digits":                {123456789012345, "", 0, "123456789012345"},
		"sixteen digits":                {1234567890123456, "", 0, ""},
		"eighteen digits":               {123456789012345678, "", 0, ""},
		"eighteen digits, shown whole":  {123456789012345678, "0", 0, ""},
		"twenty-five digits":            {1.2345678901234568e24, "", 0, ""},
		"eighteen digits as text":       {"123456789012345678", "", 49, "123456789012345678"},
		"many zeros as text":            {"000000000000000042", "", 49, "000000000000000042"},
		"a text of a lost number":       {"1.23457E+18", "", 49, ""},
		"a text with an E":              {"12E5", "", 49, "12E5"},
		"a text with an E and a plus":   {"LE+12", "", 49, "LE+12"},
		"a formula that failed":         {"#N/A", "", 0, ""},
		"a reference that failed":       {"#REF!", "", 0, ""},
		"a text with a hash":            {"#12", "", 0, "#12"},
		"a text that looks like a date": {"3-4", "", 49, "3-4"},
	} {
		got := dirty(t, func(f *excelize.File) {
			setRow(t, f, "A2", c.value, 1)
			if c.custom != "" || c.standard != 0 {
				styled(t, f, "A2", c.custom, c.standard)
			}
		})
		switch {
		case c.want == "" && strings.Join(told(got), " ") != "2 lot VALUE_INVALID":
			t.Errorf("%s: told %q, %+v", what, told(got), got.Records)
		case c.want != "" && (len(got.Records) != 1 || got.Records[0].Get("lot").Text != c.want):
			t.Errorf("%s: %v %+v, want %s", what, told(got), got.Records, c.want)
		}
	}
}

// Numbers of many digits are refused in each form in which workbooks keep them (the value of an element v, ECMA-376 part 1, 18.3.1.96), in columns of
// texts alone; and so is what a spreadsheet writes of one into a CSV file.
func TestANumberOfTooManyDigitsIsNoText(t *testing.T) {
	for kept, want := range map[string]string{
		"1.2345678901234568E+16": "", "1.23456789012346E+17": "", "123456789012346000": "", "1E+20": "", "-1234567890123456": "",
		"123456789012345": "123456789012345", "000000000000000042": "000000000000000042", "1.5": "1.5",
		"4.0999999999999996": "4.1", "-0.10000000000000001": "-0.1", "5.0000000000000001E-3": "0.005", "12345678901234.5": "12345678901234.5", // as typed
		"0.30000000000000004": "", "1.2345678901234568E+3": "", "1000000000000000": "", // of a formula, or too long
	} {
		got := dirty(t, func(f *excelize.File) {
			must(t, f.SetCellDefault("Sheet1", "A2", kept))
			must(t, f.SetCellDefault("Sheet1", "B2", "1.2345678901234568E+3"))
		})
		refused := strings.Join(told(got), " ") == "2 lot VALUE_INVALID" && strings.Contains(got.Problems[0].Text, "holds the number "+kept) &&
			strings.Contains(got.Problems[0].Text, "column as text")
		if taken := len(got.Records) == 1 && got.Records[0].Get("lot").Text == want; want == "" && !refused || want != "" && !taken {
			t.Errorf("%s: told %v, read %+v", kept, got.Problems, got.Records)
		}
	}
	table, err := sheet.Read([]byte("lot,quantity\n1.23457E+18,1\n12E5,1\n123456789012345678,1\n\"1,5E+12\",1\n"), sheet.CSV, sheet.Options{})
	must(t, err)
	got, err := table.Bind(stockColumns...)
	must(t, err)
	if all := strings.Join(told(got), ", "); all != "2 lot VALUE_INVALID, 5 lot VALUE_INVALID" || len(got.Records) != 2 || got.Records[1].Get("lot").Text != "123456789012345678" {
		t.Errorf("of CSV: told %v, read %+v", got.Problems, got.Records)
	}
}

// Dates and numbers that were typed as texts, with the spaces of a document: what can be read in one way is, the rest is refused.
func TestTextsInAWorkbookAreReadInOneWayOnly(t *testing.T) {
	for what, c := range map[string]struct {
		quantity, useBy any
		want            string // quantity and last day, or the column and reason that it is refused for
	}{
		"numbers":               {2.5, time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC), "2.5 2027-06-30"},
		"texts":                 {"2,5", "2027-06-30", "2.5 2027-06-30"},
		"a space without break": {"\u00a02,5\u202f", "\u00a02027-06-30", "2.5 2027-06-30"},
		"thousands":             {"1\u202f234,5", "", "quantity VALUE_NOT_A_NUMBER"},
		"thousands by a point":  {"1.234", "", "quantity VALUE_AMBIGUOUS"}, // beside decimal commas: 1,234 l or 1.234 l
		"both marks":            {"1.234,5", "", "quantity VALUE_AMBIGUOUS"},
		"day first":             {"2,5", "30.06.2027", "use_by DATE_INVALID"},
		"month first or not":    {"2,5", "03/04/2027", "use_by DATE_INVALID"},
		"a year of two digits":  {"2,5", "30.06.27", "use_by DATE_INVALID"},
		"no day":                {"2,5", "2027-02-29", "use_by DATE_INVALID"},
		"a time of a day":       {"2,5", 46568.5, "use_by DATE_INVALID"},
		"the last day of all":   {"2,5", "9999-12-31", "use_by DATE_INVALID"}, // which other systems write where there is none
		"the same as a number":  {"2,5", 2958465, "use_by DATE_INVALID"},
		"the last day taken":    {"2,5", "2299-12-31", "2.5 2299-12-31"},
	} {
		got := dirty(t, func(f *excelize.File) {
			setRow(t, f, "A2", "L2", c.quantity, c.useBy)
			setRow(t, f, "A3", "L3", "0,5", "")
		})
		if len(got.Records) == 2 {
			if r := got.Records[0]; r.Get("quantity").Text+" "+r.Get("use_by").Text != c.want {
				t.Errorf("%s: %s %s, want %s", what, r.Get("quantity").Text, r.Get("use_by").Text, c.want)
			}
		} else if all := strings.Join(told(got), " "); all != "2 "+c.want {
			t.Errorf("%s: told %q, want %q", what, all, c.want)
		}
	}
}

// A formula that failed is no text in a CSV file either.
func TestAFailedFormulaIsNoText(t *testing.T) {
	table, err := sheet.Read([]byte("lot,quantity,use_by,place\n#N/A,1,,shelf\nL3,1,,#REF!\nL4,1,,#4\n"), sheet.CSV, sheet.Options{})
	must(t, err)
	bound, err := table.Bind(stockColumns...)
	must(t, err)
	if all := strings.Join(told(bound), ", "); all != "2 lot VALUE_INVALID, 3 place VALUE_INVALID" || len(bound.Records) != 1 {
		t.Errorf("told %q", all)
	}
}

// A file whose merged areas are many and long is refused before it takes long.
func TestManyMergedAreasAreLimited(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		for line := 1; line <= 50; line++ {
			setRow(t, f, fmt.Sprintf("A%d", line), "lot", 1)
		}
		for column := range 20 {
			letter := string(rune('C' + column))
			must(t, f.MergeCell("Sheet1", letter+"2", letter+"50"))
		}
	})
	if _, err := sheet.Read(data, sheet.XLSX, sheet.Options{Limits: sheet.Limits{Cells: 900}}); !fault.HasReason(err, "TABLE_TOO_LARGE") {
		t.Errorf("got %v", err)
	}
	table, err := sheet.Read(data, sheet.XLSX, sheet.Options{})
	must(t, err)
	if len(table.Rows) != 0 || len(table.Problems) != 49 {
		t.Errorf("%d rows and %d problems", len(table.Rows), len(table.Problems))
	}
}
