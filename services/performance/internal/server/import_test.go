package server_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/sheet"
)

const siHeader = "engine_serial,time_utc,phase,source_id,pressure_altitude_m,oat_c,torque_nm,np_rpm,ng_pct,itt_c,fuel_flow_kg_h"

// siRow is a reading of a clean engine: a point of the model's own table, hours before the morning.
func siRow(m *performancev1.EngineModel, hours int) string {
	points := m.GetBaseline().GetPoints()
	p := points[hours%len(points)]
	return fmt.Sprintf("DEMO-1,%s,ground run,id-%d,%.0f,%.1f,%.0f,%.0f,%.2f,%.1f,%.1f", sheet.FormatTime(morning.Add(-time.Duration(hours)*time.Hour)), hours,
		p.GetPressureAltitudeM(), p.GetOatC(), p.GetTorqueNm(), p.GetPropellerSpeedRpm(), p.GetNgPct(), p.GetIttC(), p.GetFuelFlowKgH())
}

func siTable(m *performancev1.EngineModel, n int) string {
	lines := []string{siHeader}
	for i := range n {
		lines = append(lines, siRow(m, n-i))
	}
	return strings.Join(lines, "\n") + "\n"
}

// newReading is a row of siTable as a form sends it.
func newReading(m *performancev1.EngineModel, hours int) *performancev1.CorrectReadingRequest {
	f := strings.Split(siRow(m, hours), ",")
	return &performancev1.CorrectReadingRequest{Reason: "misread (demonstration only)", Reading: &performancev1.Reading{
		ReadTime: stampAt(hours), Phase: f[2], PressureAltitude: in(f[4], "m"), Oat: in(f[5], "Cel"), Torque: in(f[6], "N.m"),
		PropellerSpeed: in(f[7], "{rpm}"), Ng: in(f[8], "%"), Itt: in(f[9], "Cel"), FuelFlow: in(f[10], "kg/h"),
	}}
}

// One line of each kind of fault among good ones: every bad row has its line, column and reason, every good one is taken
// (check API-21).
func TestImportReportsEveryBadRow(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		lines := strings.Split(strings.TrimSpace(siTable(m, 60)), "\n")
		break7(lines)
		got := of(b.ImportReadings(b.as("technician"), &performancev1.ImportReadingsRequest{Csv: strings.Join(lines, "\r\n"), Source: "logbook"})).done(t)
		var problems []string
		for _, p := range got.GetProblems() {
			if p.GetRefused() {
				problems = append(problems, fmt.Sprintf("%d %s %s", p.GetLine(), p.GetColumn(), p.GetReason()))
			}
		}
		want := "6 time_utc TIME_INVALID|11 oat_c VALUE_NOT_A_NUMBER|16 engine_serial ENGINE_UNKNOWN|21  ROW_LENGTH|" +
			"26 torque_nm VALUE_AMBIGUOUS|31 time_utc READING_IN_FUTURE|36 itt_c VALUE_MISSING"
		if strings.Join(problems, "|") != want {
			t.Errorf("got  %s\nwant %s", strings.Join(problems, "|"), want)
		}
		if got.GetRowsTotal() != 60 || got.GetRowsTaken() != 53 || got.GetRowsKnown() != 0 {
			t.Errorf("got %d, %d, %d", got.GetRowsTotal(), got.GetRowsTaken(), got.GetRowsKnown())
		}
		again := of(b.ImportReadings(b.as("technician"), &performancev1.ImportReadingsRequest{Csv: strings.Join(lines, "\n"), Source: "logbook"})).done(t)
		if again.GetRowsTaken() != 0 || again.GetRowsKnown() != 53 {
			t.Errorf("the second time %d were taken and %d known", again.GetRowsTaken(), again.GetRowsKnown())
		}
	})
}

// break7 spoils a row in each of seven ways.
func break7(lines []string) {
	spoil := func(line, field int, text string) {
		f := strings.Split(lines[line-1], ",")
		f[field] = text
		lines[line-1] = strings.Join(f, ",")
	}
	spoil(6, 1, "01/03/2026 06:54")
	spoil(11, 5, "cold")
	spoil(16, 0, "DEMO-9")
	spoil(21, 5, "15,0")
	spoil(26, 6, `"1,234"`)
	spoil(31, 1, "2026-12-31T00:00Z")
	spoil(36, 9, "")
}

// A preview of a file in °F, ft and lb·ft with semicolons and decimal commas: it says how each column is read, flags the unit
// that does not fit, and keeps nothing (check PRF-04).
func TestAPreviewKeepsNothing(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		var rows []string
		for i := range 30 {
			rows = append(rows, fmt.Sprintf("DEMO-1;%s;4921;15,5;1250,5;1700;86,4;%d;310", sheet.FormatTime(morning.Add(-time.Duration(i+1)*time.Hour)), 1100+i))
		}
		text := "Serial;time_utc;Altitude (ft);OAT [°C];Torque lb·ft;Np rpm;Ng %;Gas temp;Fuel flow lb/h\n" + strings.Join(rows, "\n")
		req := &performancev1.ImportReadingsRequest{Content: []byte(text), ValidateOnly: true, Columns: []*performancev1.ColumnMapping{{Heading: "Gas temp", Column: "itt_c"}}}
		got := of(b.ImportReadings(b.as("technician"), req)).done(t)
		var columns []string
		for _, c := range got.GetColumns() {
			columns = append(columns, c.GetField()+" "+c.GetUnitCode())
		}
		if strings.Join(columns, ",") != "engine_serial ,time_utc ,pressure_altitude [ft_i],oat Cel,torque [ft_i].[lbf_av],propeller_speed {rpm},ng %,itt Cel,fuel_flow [lb_av]/h" {
			t.Errorf("got %v", columns)
		}
		if len(got.GetWarnings()) != 1 || !strings.Contains(got.GetWarnings()[0].GetText(), "Read in °F, 30 lie inside") {
			t.Errorf("got %v", got.GetWarnings())
		}
		if len(got.GetReadings()) != 20 || got.GetReadings()[0].GetTorque().GetText() != "1250.5" || got.GetReadings()[0].GetName() != "" || got.GetRowsTaken() != 30 {
			t.Errorf("got %d readings, first %v", len(got.GetReadings()), got.GetReadings()[0])
		}
		if kept := of(b.ListReadings(b.analyst(), &performancev1.ListReadingsRequest{Parent: engineName})).done(t); len(kept.GetReadings()) != 0 {
			t.Errorf("%d readings were kept", len(kept.GetReadings()))
		}
	})
}

// What is exported imports again into the same readings, in every format, and all formats hold the same rows (check PRF-06).
func TestExportsImportAgainAndAgree(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 40), Source: "logbook"})).done(t)
		var first [][]string
		for _, format := range []performancev1.TableFormat{
			performancev1.TableFormat_TABLE_FORMAT_CSV, performancev1.TableFormat_TABLE_FORMAT_XLSX, performancev1.TableFormat_TABLE_FORMAT_PARQUET,
		} {
			file := of(b.ExportReadings(b.as("viewer"), &performancev1.ExportReadingsRequest{Parent: engineName, Format: format})).done(t)
			if file.GetRowCount() != 40 || !strings.HasPrefix(file.GetFileName(), "readings-DEMO-1.") {
				t.Errorf("%v: %d rows in %s", format, file.GetRowCount(), file.GetFileName())
			}
			again := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Content: file.GetContent(), Source: "logbook"})).done(t)
			if again.GetRowsKnown() != 40 || len(again.GetProblems()) > 0 {
				t.Errorf("%v: %d of %d known, %v", format, again.GetRowsKnown(), again.GetRowsTotal(), again.GetProblems())
			}
			if rows := plainRows(t, file.GetContent()); first == nil {
				first = rows
			} else if fmt.Sprint(rows) != fmt.Sprint(first) {
				t.Errorf("%v holds other rows than CSV", format)
			}
		}
		series := of(b.ExportReadings(b.as("viewer"), &performancev1.ExportReadingsRequest{Parent: engineName, Format: performancev1.TableFormat_TABLE_FORMAT_JSON})).done(t)
		if n := bytes.Count(series.GetContent(), []byte(`"itt_deviation_c":`)); n != 40 || series.GetMediaType() != "application/json" {
			t.Errorf("%d deviations in %s", n, series.GetMediaType())
		}
		if rows := jsonRows(t, series.GetContent()); fmt.Sprint(rows) != fmt.Sprint(first) {
			t.Errorf("JSON holds other rows than CSV:\n%v\n%v", rows, first)
		}
	})
}

// plainColumns are the columns that the formats are compared by.
var plainColumns = []string{"time_utc", "oat_c", "torque_nm", "itt_c", "state", "phase", "source_id"}

// jsonRows reads a series back as the standard library reads it.
func jsonRows(t *testing.T, content []byte) [][]string {
	t.Helper()
	var series []map[string]any
	d := json.NewDecoder(bytes.NewReader(content))
	d.UseNumber()
	if err := d.Decode(&series); err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	for _, object := range series {
		var row []string
		for _, name := range plainColumns {
			row = append(row, fmt.Sprint(object[name]))
		}
		rows = append(rows, row)
	}
	return rows
}

// plainRows reads a file's measurements and deviations back as canonical texts.
func plainRows(t *testing.T, content []byte) [][]string {
	t.Helper()
	table, err := sheet.Read(content, sheet.Detect(content), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var wants []sheet.Want
	for _, h := range table.Header {
		kind := sheet.Text
		switch {
		case h == "time_utc":
			kind = sheet.Time
		case strings.HasSuffix(h, "_c") || strings.HasSuffix(h, "_nm") || strings.HasSuffix(h, "_kw"):
			kind = sheet.Number
		}
		wants = append(wants, sheet.Want{Name: h, Kind: kind})
	}
	bound, err := table.Bind(wants...)
	if err != nil || len(bound.Problems) > 0 {
		t.Fatal(err, bound)
	}
	var rows [][]string
	for _, r := range bound.Records {
		var row []string
		for _, name := range plainColumns {
			row = append(row, r.Get(name).Text)
		}
		rows = append(rows, row)
	}
	return rows
}

func TestTablesThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for reason, req := range map[string]*performancev1.ImportReadingsRequest{
			"TABLE_MISSING": {}, "FILE_UNREADABLE": {Content: []byte("PK\x03\x04")}, "HEADER_INVALID": {Csv: "colour\n1\n"}, "UNIT_UNKNOWN": {Csv: "oat_x\n1\n"},
			"TEXT_NOT_UTF8": {Content: []byte("oat_c\n\xb0")}, "COLUMN_MISSING": {Csv: siHeader, Columns: []*performancev1.ColumnMapping{{Heading: "x"}}},
			"FORMAT_INVALID": {Content: []byte("[]"), Format: performancev1.TableFormat_TABLE_FORMAT_JSON},
		} {
			of(b.ImportReadings(b.analyst(), req)).refused(t, reason)
		}
	})
}

func TestASourceGivesAnIdOnce(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		row := siHeader + "\n" + siRow(m, 1) + "\n"
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: row, Source: "recorder"})).done(t)
		other := strings.Replace(row, "ground run", "climb", 1)
		got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: other, Source: "recorder"})).done(t)
		if len(got.GetProblems()) != 1 || got.GetProblems()[0].GetReason() != "SOURCE_ID_REUSED" || got.GetRowsTaken() != 0 {
			t.Errorf("got %v", got)
		}
		if got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: other, Source: "another"})).done(t); got.GetRowsTaken() != 1 {
			t.Errorf("got %v", got)
		}
	})
}
