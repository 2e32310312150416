package app

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/sheet"
)

// columns are those of a table of readings. The ranges flag a unit that doesn't fit a whole column; they are wide, and single
// readings are judged by the analysis (common practice, no source).
var columns = []sheet.Want{
	{Name: "engine_serial", Aliases: []string{"engine", "serial"}, Required: true},
	{Name: "time_utc", Aliases: []string{"read_time_utc"}, Kind: sheet.Time, Required: true},
	{Name: "phase"}, {Name: "source_id"},
	{Name: "pressure_altitude", Aliases: []string{"altitude", "pressure_alt"}, Kind: sheet.Amount, Dimension: quantity.Length, Required: true, Range: &sheet.Range{Low: -600, High: 13_700}},
	{Name: "oat", Aliases: []string{"outside_air_temperature"}, Kind: sheet.Amount, Dimension: quantity.Temperature, Required: true, Range: &sheet.Range{Low: -75, High: 55}},
	{Name: "airspeed", Aliases: []string{"cas"}, Kind: sheet.Amount, Dimension: quantity.Speed, Range: &sheet.Range{Low: 0, High: 350}},
	{Name: "torque", Kind: sheet.Amount, Dimension: quantity.Torque, Required: true},
	{Name: "propeller_speed", Aliases: []string{"np"}, Kind: sheet.Amount, Dimension: quantity.Rotation, Required: true},
	{Name: "ng", Aliases: []string{"n1"}, Kind: sheet.Amount, Dimension: quantity.Ratio, Required: true, Range: &sheet.Range{Low: 40, High: 115}},
	{Name: "itt", Kind: sheet.Amount, Dimension: quantity.Temperature, Required: true, Range: &sheet.Range{Low: 350, High: 950}},
	{Name: "fuel_flow", Kind: sheet.Amount, Dimension: quantity.MassFlow, Required: true},
	{Name: "operating_hours", Aliases: []string{"engine", "operating"}, Kind: sheet.Amount, Dimension: quantity.Time},
}

var formats = map[performancev1.TableFormat]sheet.Format{
	performancev1.TableFormat_TABLE_FORMAT_CSV: sheet.CSV, performancev1.TableFormat_TABLE_FORMAT_XLSX: sheet.XLSX, performancev1.TableFormat_TABLE_FORMAT_PARQUET: sheet.Parquet,
}

// readTable reads the table of a request. Reasons: TABLE_MISSING and those of package sheet.
func readTable(req *performancev1.ImportReadingsRequest) (*sheet.Bound, error) {
	data := req.GetContent()
	if (len(data) > 0) == (req.GetCsv() != "") {
		return nil, fault.Invalid("content", "TABLE_MISSING", "Give the table either as content or as csv.")
	}
	format, stated := formats[req.GetFormat()]
	switch {
	case len(data) == 0:
		data, format = []byte(req.GetCsv()), sheet.CSV
	case !stated && req.GetFormat() != performancev1.TableFormat_TABLE_FORMAT_UNSPECIFIED:
		return nil, fault.Invalid("format", "FORMAT_INVALID", "Readings are not read from that format. Send CSV, XLSX or Parquet.")
	case !stated:
		format = sheet.Detect(data)
	}
	table, err := sheet.Read(data, format, sheet.Options{Sheet: req.GetSheet()})
	if err != nil {
		return nil, err
	}
	if err := rename(table, req.GetColumns()); err != nil {
		return nil, err
	}
	return table.Bind(append(slices.Clone(columns), resultColumns()...)...)
}

// rename gives columns the names that the caller says they stand for, and leaves out those that stand for nothing.
func rename(table *sheet.Table, mappings []*performancev1.ColumnMapping) error {
	for _, m := range mappings {
		at := slices.Index(table.Header, m.GetHeading())
		if at < 0 {
			return fault.Invalid("columns", "COLUMN_MISSING", "The table has no column %.60q. Name a heading as the file spells it.", m.GetHeading())
		}
		if m.GetColumn() != "" {
			table.Header[at] = m.GetColumn()
			continue
		}
		table.Drop(at)
	}
	return nil
}

// readingOf makes a reading of a row.
func readingOf(r sheet.Record, source string) *performancev1.Reading {
	entered := func(name string) *commonv1.Entered {
		v := r.Get(name)
		if !v.Given {
			return nil
		}
		return &commonv1.Entered{Text: v.Text, UnitCode: v.Unit}
	}
	at, _ := time.Parse(time.RFC3339Nano, r.Get("time_utc").Text) // Bind gives no other
	return &performancev1.Reading{
		ReadTime: timestamppb.New(at), Phase: r.Get("phase").Text, Source: source, SourceId: r.Get("source_id").Text, State: performancev1.Reading_ACCEPTED,
		PressureAltitude: entered("pressure_altitude"), Oat: entered("oat"), Airspeed: entered("airspeed"), Torque: entered("torque"),
		PropellerSpeed: entered("propeller_speed"), Ng: entered("ng"), Itt: entered("itt"), FuelFlow: entered("fuel_flow"), OperatingHours: entered("operating_hours"),
	}
}

// tooLong refuses texts that the contract would refuse in a reading.
func tooLong(r *performancev1.Reading) (column, text string) {
	for _, f := range []struct {
		column, text string
		most         int
	}{{"phase", r.GetPhase(), 40}, {"source_id", r.GetSourceId(), 120}} {
		if len([]rune(f.text)) > f.most {
			return f.column, fmt.Sprintf("The %s has more than %d characters. Shorten it.", strings.ReplaceAll(f.column, "_", " "), f.most)
		}
	}
	return "", ""
}
