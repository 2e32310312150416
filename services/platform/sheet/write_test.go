package sheet_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/sheet"
)

var written = []sheet.Column{
	{Name: "note"}, {Name: "ratio", Kind: sheet.Number}, {Name: "cycles", Kind: sheet.Integer}, {Name: "time_utc", Kind: sheet.Time}, {Name: "due", Kind: sheet.Date},
	{Name: "washed", Kind: sheet.Bool}, {Name: "torque", Unit: "[ft_i].[lbf_av]", Kind: sheet.Amount},
}

var wanted = []sheet.Want{
	{Name: "note"}, {Name: "ratio", Kind: sheet.Number}, {Name: "cycles", Kind: sheet.Integer}, {Name: "time_utc", Kind: sheet.Time}, {Name: "due", Kind: sheet.Date},
	{Name: "washed", Kind: sheet.Bool}, {Name: "torque", Kind: sheet.Amount, Dimension: quantity.Torque},
}

func write(t interface{ Fatal(args ...any) }, format sheet.Format, rows [][]string) []byte {
	var out bytes.Buffer
	w, err := sheet.NewWriter(&out, format, written)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if err := w.Write(row...); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// drawRow draws a row of canonical texts; the note begins with what a spreadsheet takes for a formula more often than not.
func drawRow(t *rapid.T) []string {
	note := rapid.SampledFrom([]string{"", "=", "+", "-", "@", "'=", "''", "\"", ";", "- "}).Draw(t, "start") + rapid.StringMatching(`[ -~äµ°€]{0,12}[!-~]`).Draw(t, "note")
	at := time.UnixMilli(rapid.Int64Range(0, 4_000_000_000_000).Draw(t, "at")).UTC()
	number := rapid.Custom(func(t *rapid.T) string {
		return sheet.FormatFloat(float64(rapid.Int64Range(-999_999_999_999, 999_999_999_999).Draw(t, "digits")) / 1000)
	})
	row := []string{
		strings.TrimSpace(note), number.Draw(t, "ratio"), sheet.FormatFloat(float64(rapid.Int32().Draw(t, "cycles"))), sheet.FormatTime(at), at.Format(time.DateOnly),
		rapid.SampledFrom([]string{"true", "false"}).Draw(t, "washed"), number.Draw(t, "torque"),
	}
	for i := 1; i < len(row); i++ {
		if rapid.IntRange(0, 9).Draw(t, "blank") == 0 {
			row[i] = ""
		}
	}
	return row
}

// A thousand random rows come back as they went out, in every format (check QUA-05).
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(rapid.Custom(drawRow), 1, 20).Draw(t, "rows")
		for _, format := range []sheet.Format{sheet.CSV, sheet.XLSX, sheet.Parquet} {
			data := write(t, format, rows)
			if sheet.Detect(data) != format {
				t.Fatalf("%s is taken for %s", format, sheet.Detect(data))
			}
			table, err := sheet.Read(data, format, sheet.Options{})
			if err != nil {
				t.Fatal(err)
			}
			bound, err := table.Bind(wanted...)
			if err != nil || len(bound.Problems) > 0 || len(bound.Records) != len(rows) {
				t.Fatalf("%s: %d of %d rows, %+v, %v", format, len(bound.Records), len(rows), bound, err)
			}
			for i, row := range rows {
				for j, want := range row {
					if got := bound.Records[i].Get(written[j].Name); got.Text != want || got.Given != (want != "") || got.Given && got.Unit != written[j].Unit {
						t.Fatalf("%s row %d %s: got %+v, want %q", format, i, written[j].Name, got, want)
					}
				}
			}
		}
	})
}

// What another reader of RFC 4180 sees: no cell that a spreadsheet would run, numbers untouched (check QUA-05, case B19).
func TestCellsThatLookLikeFormulasAreDefused(t *testing.T) {
	for cell, want := range map[string]string{
		"=HYPERLINK(\"x\")": "'=HYPERLINK(\"x\")", "@SUM(A1)": "'@SUM(A1)", "+1+1": "'+1+1", "-2+3": "'-2+3", "\tx": "'\tx", "-": "'-", "'=x": "''=x",
		"-7.5": "-7.5", "+7": "+7", "a=b": "a=b", "'quoted'": "'quoted'", "": "",
	} {
		data := write(t, sheet.CSV, [][]string{{cell, "-1.5", "", "", "", "", ""}})
		records, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
		if err != nil || len(records) != 2 {
			t.Fatalf("%v, %v", records, err)
		}
		if records[1][0] != want || records[1][1] != "-1.5" {
			t.Errorf("%q: got %q", cell, records[1])
		}
		if got := strings.Join(records[0], ","); got != "note,ratio,cycles,time_utc,due,washed,torque_lbf_ft" {
			t.Errorf("header %s", got)
		}
		if !bytes.HasSuffix(data, []byte("\r\n")) {
			t.Errorf("%q does not end its lines as RFC 4180 says", data)
		}
	}
}

func TestAWriterRefusesRowsThatDoNotFit(t *testing.T) {
	for _, format := range []sheet.Format{sheet.CSV, sheet.XLSX, sheet.Parquet} {
		w, err := sheet.NewWriter(&bytes.Buffer{}, format, written)
		if err != nil {
			t.Fatal(err)
		}
		if w.Write("one") == nil {
			t.Errorf("%s took a row of one cell", format)
		}
	}
	w, err := sheet.NewWriter(&bytes.Buffer{}, sheet.XLSX, written[:1])
	if err != nil {
		t.Fatal(err)
	}
	if w.Write(strings.Repeat("x", 32_768)) == nil {
		t.Error("a cell was cut without a word")
	}
}

// Every unit that a column can state is one of the unit table, and comes back from its own heading.
func TestHeadingsNameEveryUnit(t *testing.T) {
	for _, u := range quantity.Units() {
		heading := sheet.Heading("x", u.Code)
		if heading == "x_" {
			t.Errorf("%s has no suffix", u.Code)
			continue
		}
		table, err := sheet.Read([]byte(heading+"\n1\n"), sheet.CSV, sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		bound, err := table.Bind(sheet.Want{Name: "x", Kind: sheet.Amount, Dimension: u.Dimension})
		if err != nil || bound.Columns[0].Unit != u.Code {
			t.Errorf("%s: got %+v, %v", heading, bound, err)
		}
	}
}

// Whatever the bytes are, reading ends with a refusal or with cells whose texts are canonical.
func FuzzRead(f *testing.F) {
	f.Add([]byte("note,torque_nm,time_utc\nx,\"1,5\",2026-03-01T06:54Z\n"))
	f.Add([]byte("\ufeffnote;torque_nm\r\n'=x;-1,5\r\n"))
	f.Add([]byte("a\"b\n\"\n"))
	for _, format := range []sheet.Format{sheet.XLSX, sheet.Parquet} {
		f.Add(write(f, format, [][]string{{"=x", "1.5", "2", "2026-03-01T06:54:00Z", "2026-03-01", "true", "7"}}))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		format := sheet.Detect(data)
		table, err := sheet.Read(data, format, sheet.Options{Limits: sheet.Limits{Unpacked: 4 << 20, Rows: 1000}})
		if err != nil {
			return
		}
		bound, err := table.Bind(wanted...)
		if err != nil {
			return
		}
		if len(bound.Records)+len(bound.Problems) < len(table.Rows) {
			t.Fatalf("%d rows, %d records, %d problems", len(table.Rows), len(bound.Records), len(bound.Problems))
		}
		for _, r := range bound.Records {
			for _, name := range []string{"ratio", "cycles", "torque"} {
				if v := r.Get(name); v.Given {
					if _, err := quantity.ParseDecimal(v.Text); err != nil {
						t.Fatalf("%s: %q is not canonical: %v", name, v.Text, err)
					}
				}
			}
			if v := r.Get("time_utc"); v.Given {
				if _, err := time.Parse(time.RFC3339Nano, v.Text); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
