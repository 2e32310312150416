package sheet_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
)

// A file as another program writes it: milliseconds, single precision, integers, decimals.
func TestAParquetFileOfAnotherProgram(t *testing.T) {
	type row struct {
		Serial string    `parquet:"engine_serial"`
		At     time.Time `parquet:"time_utc,timestamp(millisecond)"`
		OAT    float32   `parquet:"oat_c"`
		Torque *int32    `parquet:"torque_nm,optional"`
		Fuel   int64     `parquet:"fuel_flow_kg_h,decimal(1:9)"`
		Due    int32     `parquet:"due,date"`
		Washed bool      `parquet:"washed"`
	}
	at := time.Date(2026, 3, 1, 6, 54, 0, 250_000_000, time.UTC)
	torque := int32(1700)
	var out bytes.Buffer
	err := parquet.Write(&out, []row{{"DEMO-1", at, 21.6, &torque, 1405, 20544, true}, {"DEMO-1", at, -7, nil, 5, -1, false}})
	if err != nil {
		t.Fatal(err)
	}
	table, err := sheet.Read(out.Bytes(), sheet.Detect(out.Bytes()), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(engine...)
	if err != nil || len(bound.Problems) > 0 || len(bound.Records) != 2 {
		t.Fatalf("got %+v, %v", bound, err)
	}
	for i, want := range []string{"DEMO-1|2026-03-01T06:54:00.25Z|21.6|1700|140.5|2026-04-01|true", "DEMO-1|2026-03-01T06:54:00.25Z|-7||0.5|1969-12-31|false"} {
		var got []string
		for _, name := range []string{"engine_serial", "time_utc", "oat", "torque", "fuel_flow", "due", "washed"} {
			got = append(got, bound.Records[i].Get(name).Text)
		}
		if strings.Join(got, "|") != want || bound.Records[i].Line != i+1 {
			t.Errorf("line %d: got %v, want %s", bound.Records[i].Line, got, want)
		}
	}
}

// Times are UTC microseconds, units stand in the metadata, columns keep their order (check PRF-06), as the library that writes reads them.
func TestWhatAParquetFileSaysOfItself(t *testing.T) {
	data := write(t, sheet.Parquet, [][]string{{"=x", "1.5", "2", "2026-03-01T06:54:00.000001Z", "2026-03-01", "true", "0.1"}})
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	if unit, ok := f.Lookup("unit.torque_lbf_ft"); !ok || unit != "[ft_i].[lbf_av]" {
		t.Errorf("unit %q", unit)
	}
	var names []string
	for _, field := range f.Schema().Fields() {
		names = append(names, field.Name())
		if field.Name() != "time_utc" {
			continue
		}
		l, ok := field.Type().LogicalType().Value.(*format.TimestampType)
		if !ok || !l.IsAdjustedToUTC || l.Unit.Value.Duration() != time.Microsecond {
			t.Errorf("got %v", field.Type().LogicalType())
		}
	}
	if got := strings.Join(names, ","); got != "note,ratio,cycles,time_utc,due,washed,torque_lbf_ft" {
		t.Errorf("columns %s", got)
	}
}

func TestParquetFilesThatAreRefused(t *testing.T) {
	var nested bytes.Buffer
	if err := parquet.Write(&nested, []struct{ A []string }{{[]string{"x"}}}); err != nil {
		t.Fatal(err)
	}
	good := write(t, sheet.Parquet, [][]string{{"x", "", "", "", "", "", ""}, {"y", "", "", "", "", "", ""}})
	for name, c := range map[string]struct {
		data   []byte
		limits sheet.Limits
		reason string
	}{
		"nested": {nested.Bytes(), sheet.Limits{}, "FILE_UNREADABLE"}, "cut": {good[:len(good)-9], sheet.Limits{}, "FILE_UNREADABLE"},
		"only a mark": {[]byte("PAR1"), sheet.Limits{}, "FILE_UNREADABLE"},
		"rows":        {good, sheet.Limits{Rows: 1}, "TABLE_TOO_LARGE"}, "unpacked": {good, sheet.Limits{Unpacked: 10}, "TABLE_TOO_LARGE"},
	} {
		if _, err := sheet.Read(c.data, sheet.Parquet, sheet.Options{Limits: c.limits}); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// A text that the file keeps once and repeats in every row is not kept a hundred thousand times.
func TestARepeatedTextIsRefusedBeforeItFillsTheMemory(t *testing.T) {
	type row struct {
		Note string `parquet:"note,dict"`
	}
	rows := make([]row, 50_000)
	for i := range rows {
		rows[i].Note = strings.Repeat("x", 30_000)
	}
	var out bytes.Buffer
	if err := parquet.Write(&out, rows, parquet.Compression(&parquet.Snappy)); err != nil {
		t.Fatal(err)
	}
	if out.Len() > 1<<20 {
		t.Fatalf("the file has %d bytes", out.Len())
	}
	if _, err := sheet.Read(out.Bytes(), sheet.Parquet, sheet.Options{}); !fault.HasReason(err, "TABLE_TOO_LARGE") {
		t.Errorf("got %v", err)
	}
}
