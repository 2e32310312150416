package sheet_test

import (
	"bytes"
	"testing"

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
		`"1,234"`: "VALUE_AMBIGUOUS", "1:00:61": "VALUE_NOT_A_NUMBER",
	} {
		if got, reason := hoursOf(t, []byte("hours,other\n"+cell+",1.5\n"), sheet.CSV); reason != want {
			t.Errorf("%s: %+v %q, want %s", cell, got, reason, want)
		}
	}
}

// A workbook keeps 1234.1 as a binary number, and what it shows as 1000:30 as 41.6875 days, which would be read as that many hours.
func TestHoursOfAWorkbook(t *testing.T) {
	for cell, want := range map[string]string{"1234.1": "4442760", "41.6875": "", "1000:30": "3601800"} {
		var out bytes.Buffer
		kind := sheet.Number
		if cell == "1000:30" {
			kind = sheet.Text
		}
		w, err := sheet.NewWriter(&out, sheet.XLSX, []sheet.Column{{Name: "hours", Kind: kind}, {Name: "other", Kind: sheet.Number}})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(cell, "1.5"); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if got, reason := hoursOf(t, out.Bytes(), sheet.XLSX); got.Text != want || (reason == "VALUE_INVALID") != (want == "") {
			t.Errorf("%s: %+v %s, want %q", cell, got, reason, want)
		}
	}
}
