package sheet_test

import (
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"coldsection.example/services/platform/sheet"
)

// hoursOf reads one cell of hours; the second column decides the decimal mark of the file.
func hoursOf(t *testing.T, file []byte, format sheet.Format) (sheet.Value, string) {
	t.Helper()
	table, err := sheet.Read(file, format, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(sheet.Want{Name: "hours", Kind: sheet.Hours}, sheet.Want{Name: "other", Kind: sheet.Number})
	if err != nil {
		t.Fatal(err)
	}
	if len(bound.Problems) > 0 {
		return sheet.Value{}, bound.Problems[0].Reason
	}
	return bound.Records[0].Get("hours"), ""
}

// 0.1 h is 360 s and 0.01 h is 36 s, exactly (3,600 s in an hour, SI brochure table 8); 4,321.6 h are 15,557,760 s.
func TestHoursAreWholeSeconds(t *testing.T) {
	for cell, want := range map[string]string{
		"4321.6": "15557760", "0.1": "360", "0.01": "36", "12": "43200", "1234:30": "4444200", "0:01:05": "65", "2000.25": "7200900", "1.50": "5400",
	} {
		got, reason := hoursOf(t, []byte("hours,other\n"+cell+",1.5\n"), sheet.CSV)
		if got.Text != want || !got.Given {
			t.Errorf("%s: %+v %s, want %s", cell, got, reason, want)
		}
	}
	if got, _ := hoursOf(t, []byte("hours;other\n1980,5;1,5\n"), sheet.CSV); got.Text != "7129800" {
		t.Errorf("decimal comma: %+v", got)
	}
	if got, reason := hoursOf(t, []byte("hours,other\n,1.5\n"), sheet.CSV); got.Given || reason != "" {
		t.Errorf("blank: %+v %s", got, reason)
	}
}

func TestWhatIsNoHoursIsRefused(t *testing.T) {
	for cell, want := range map[string]string{
		"-1": "VALUE_INVALID", "1.234": "VALUE_INVALID", "12:60": "VALUE_NOT_A_NUMBER", "12345678": "VALUE_INVALID", "1h30": "VALUE_NOT_A_NUMBER", "1:2": "VALUE_NOT_A_NUMBER",
		`"1,234"`: "VALUE_AMBIGUOUS", "1:00:61": "VALUE_NOT_A_NUMBER", "900:75": "VALUE_NOT_A_NUMBER",
	} {
		if got, reason := hoursOf(t, []byte("hours,other\n"+cell+",1.5\n"), sheet.CSV); reason != want {
			t.Errorf("%s: %+v %q, want %s", cell, got, reason, want)
		}
	}
}

// Minutes beyond 59 are told as what they are.
func TestMinutesBeyondAnHourAreNamed(t *testing.T) {
	table, err := sheet.Read([]byte("hours,other\n900:75,1.5\n"), sheet.CSV, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(sheet.Want{Name: "hours", Kind: sheet.Hours}, sheet.Want{Name: "other", Kind: sheet.Number})
	if err != nil || len(bound.Problems) != 1 || !strings.Contains(bound.Problems[0].Text, "two digits from 00 to 59") {
		t.Error(bound, err)
	}
}

// hoursBook is a workbook with one cell of hours in a number format; "" is none.
func hoursBook(t *testing.T, value any, format string) []byte {
	t.Helper()
	return workbook(t, func(f *excelize.File) {
		for cell, v := range map[string]any{"A1": "hours", "B1": "other", "A2": value, "B2": 1.5} {
			if err := f.SetCellValue("Sheet1", cell, v); err != nil {
				t.Fatal(err)
			}
		}
		if format == "" {
			return
		}
		style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &format})
		if err == nil {
			err = f.SetCellStyle("Sheet1", "A2", "A2", style)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}

// A workbook keeps 1234.1 as a binary number, and what it shows as 1234:30 as 51.4375 days: a day is 86,400 s (ECMA-376 part 1, 18.17.4.2). More
// than a day is read in full; a cell that shows the time of day only, a part of a second and a negative time are refused, as nobody who looks at
// them sees the hours that they stand for.
func TestHoursOfAWorkbook(t *testing.T) {
	for _, c := range []struct {
		value        any
		format, want string
	}{
		{1234.1, "", "4442760"}, {"1234:30", "", "4444200"}, {"1234:30", "@", "4444200"}, {51.4375, "[h]:mm", "4444200"}, {51.4375, "[hh]:mm:ss", "4444200"}, {1.5, "[h]:mm", "129600"},
		{1.0 / 3, "[h]:mm", "28800"}, {0.5, "h:mm", "43200"}, {65.0 / 86400, "[h]:mm:ss", "65"}, {65.0 / 86400, "[h]:mm", "65"}, {0.0, "[h]:mm", "0"},
		{500.0, "[h]:mm", "43200000"}, {1234.1, "0.0", "4442760"}, {1.5, "h:mm", ""}, {51.4375, "hh:mm:ss", ""}, {51.4375, "", ""}, {-0.5, "[h]:mm", ""},
		{0.5 + 0.3/86400, "[h]:mm", ""}, {1.5, "[h]:mm;@", "129600"}, {1.5, "h:mm AM/PM", ""}, {1.5, "[h]", ""}, {1.5, "yyyy-mm-dd hh:mm", ""}, {1234.16, "0.0", "4442976"},
	} {
		if got, reason := hoursOf(t, hoursBook(t, c.value, c.format), sheet.XLSX); got.Text != c.want || (reason == "VALUE_INVALID") != (c.want == "") {
			t.Errorf("%v as %q: %+v %s, want %q", c.value, c.format, got, reason, c.want)
		}
	}
}

// What is refused says what the cell shows and holds, and what to do.
func TestARefusalOfHoursSaysWhatTheCellHolds(t *testing.T) {
	table, err := sheet.Read(hoursBook(t, 1.5, "h:mm"), sheet.XLSX, sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(sheet.Want{Name: "hours", Kind: sheet.Hours}, sheet.Want{Name: "other", Kind: sheet.Number})
	if err != nil || len(bound.Problems) != 1 {
		t.Fatal(bound, err)
	}
	const want = `The cell shows "12:00" and holds 36:00:00 hours. Format the column as [h]:mm and look at it again, or send it as text such as 1234:30.`
	if p := bound.Problems[0]; p.Line != 2 || p.Column != "hours" || p.Text != want {
		t.Errorf("%+v", p)
	}
}
