package sheet_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"testing"
	"time"

	goparquet "github.com/fraugster/parquet-go"

	"coldsection.example/services/platform/sheet"
)

// elsewhere reads a Parquet file with another library than the one that writes, which shares no code with it, and gives rows of what the cells
// hold by what the file itself says of their columns (Apache Parquet format, LogicalTypes.md). The library stumbles over a column with a single
// value, where the encoding of differences has a header and no block.
func elsewhere(t *testing.T, data []byte) (header []string, rows [][]string, metadata map[string]string) {
	t.Helper()
	f, err := goparquet.NewFileReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range f.Columns() {
		header = append(header, c.Name())
	}
	for {
		row, err := f.NextRow()
		if errors.Is(err, io.EOF) {
			return header, rows, f.MetaData()
		}
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, c := range f.Columns() {
			out = append(out, textElsewhere(t, c, row[c.Name()]))
		}
		rows = append(rows, out)
	}
}

// textElsewhere is a cell's canonical text by its column's logical type.
func textElsewhere(t *testing.T, c *goparquet.Column, v any) string {
	t.Helper()
	logical := c.Element().GetLogicalType()
	switch held := v.(type) {
	case nil:
		return ""
	case bool:
		return strconv.FormatBool(held)
	case float64:
		return strconv.FormatFloat(held, 'f', -1, 64)
	case int32:
		if logical.IsSetDATE() {
			return time.Unix(int64(held)*24*3600, 0).UTC().Format(time.DateOnly)
		}
	case int64:
		switch {
		case logical.IsSetTIMESTAMP() && logical.TIMESTAMP.IsAdjustedToUTC && logical.TIMESTAMP.Unit.IsSetMICROS():
			return time.UnixMicro(held).UTC().Format(time.RFC3339Nano)
		case logical.IsSetINTEGER() && logical.INTEGER.IsSigned:
			return strconv.FormatInt(held, 10)
		}
	case []byte:
		if logical.IsSetSTRING() {
			return string(held)
		}
	}
	t.Fatalf("%s holds a %T, which the file says is %v", c.Name(), v, logical)
	return ""
}

// What is exported as Parquet is read by another library as what went in: cells of every kind and blank ones, over more rows than a block of the
// encodings has, and the units in the metadata.
func TestAnotherLibraryReadsTheParquet(t *testing.T) {
	begin := time.Date(1969, 12, 31, 23, 59, 59, 999_999_000, time.UTC)
	var want [][]string
	for i := range 700 {
		at := begin.Add(time.Duration(i) * 7919 * time.Minute)
		row := []string{
			fmt.Sprintf("ä=%d", i*i), sheet.FormatFloat(float64(i)/8 - 3), strconv.Itoa(i*i*i - 5), sheet.FormatTime(at), at.Format(time.DateOnly), strconv.FormatBool(i%3 == 0),
			sheet.FormatFloat(0.1 * float64(i)),
		}
		for at := range row {
			if (i+at)%5 == 0 {
				row[at] = ""
			}
		}
		want = append(want, row)
	}
	header, got, metadata := elsewhere(t, write(t, sheet.Parquet, want))
	if !slices.Equal(header, []string{"note", "ratio", "cycles", "time_utc", "due", "washed", "torque_lbf_ft"}) || len(got) != len(want) {
		t.Fatalf("%v, %d rows", header, len(got))
	}
	for i := range want {
		if !slices.Equal(got[i], want[i]) {
			t.Errorf("row %d: %q, want %q", i+1, got[i], want[i])
		}
	}
	if metadata["unit.torque_lbf_ft"] != "[ft_i].[lbf_av]" {
		t.Errorf("%v", metadata)
	}
}
