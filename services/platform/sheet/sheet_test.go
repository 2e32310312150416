package sheet_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"strings"
	"testing"
	"unicode/utf16"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/sheet"
)

// engine is what an engine's readings want of a table.
var engine = []sheet.Want{
	{Name: "engine_serial", Aliases: []string{"serial"}, Required: true},
	{Name: "time_utc", Kind: sheet.Time, Required: true},
	{Name: "oat", Kind: sheet.Amount, Dimension: quantity.Temperature, Required: true, Range: &sheet.Range{Low: -60, High: 55}},
	{Name: "torque", Kind: sheet.Amount, Dimension: quantity.Torque},
	{Name: "fuel_flow", Kind: sheet.Amount, Dimension: quantity.MassFlow},
	{Name: "oil_pressure", Kind: sheet.Amount, Dimension: quantity.Pressure},
	{Name: "cycles", Kind: sheet.Integer},
	{Name: "due", Kind: sheet.Date},
	{Name: "washed", Kind: sheet.Bool},
}

func bind(t *testing.T, text string) *sheet.Bound {
	t.Helper()
	table, err := sheet.Read([]byte(text), sheet.Detect([]byte(text)), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	bound, err := table.Bind(engine...)
	if err != nil {
		t.Fatal(err)
	}
	return bound
}

// A file as a spreadsheet of a country with decimal commas saves it (check PRF-04).
func TestSemicolonsDecimalCommasAndImperialUnits(t *testing.T) {
	bound := bind(t, "\ufeffSerial;time_utc;OAT [°F];Torque (lb·ft);Fuel flow lb/h;Oil pressure psi;cycles;due;washed\r\n"+
		"DEMO-1;2026-03-01 06:54;59,0;1250,5;310;90;12;2026-04-01;yes\r\n")
	if len(bound.Problems)+len(bound.Warnings) > 0 || len(bound.Records) != 1 {
		t.Fatalf("got %+v", bound)
	}
	for name, want := range map[string]sheet.Value{
		"engine_serial": {Text: "DEMO-1"}, "time_utc": {Text: "2026-03-01T06:54:00Z"}, "oat": {Text: "59.0", Unit: "[degF]"},
		"torque": {Text: "1250.5", Unit: "[ft_i].[lbf_av]"}, "fuel_flow": {Text: "310", Unit: "[lb_av]/h"}, "oil_pressure": {Text: "90", Unit: "[psi]"},
		"cycles": {Text: "12"}, "due": {Text: "2026-04-01"}, "washed": {Text: "true"},
	} {
		want.Given = true
		if got := bound.Records[0].Get(name); got != want {
			t.Errorf("%s: got %+v, want %+v", name, got, want)
		}
	}
}

func TestEveryBadCellHasItsLineColumnAndReason(t *testing.T) {
	bound := bind(t, `engine_serial,time_utc,oat_c,torque_nm,cycles,due,washed
DEMO-1,2026-03-01T06:54Z,15.0,1700,1,2026-04-01,true

,2026-03-01T06:54Z,warm,1700,1.5,2026-13-01,perhaps
DEMO-1,01/03/2026,"1,234","1,234.5",1,46113,no
DEMO-1,2026-03-01T06:54Z,15
DEMO-1,46082.2875,NaN,1e3,1,2026-04-01,0
DEMO-1,2026-03-01T06:54Z,1"5,1700,1,,
`)
	want := []string{
		"4 engine_serial VALUE_MISSING", "4 oat_c VALUE_NOT_A_NUMBER", "4 cycles VALUE_NOT_A_NUMBER", "4 due DATE_INVALID", "4 washed VALUE_INVALID",
		"5 time_utc TIME_INVALID", "5 oat_c VALUE_AMBIGUOUS", "5 torque_nm VALUE_AMBIGUOUS", "5 due DATE_INVALID",
		"6  ROW_LENGTH", "7 time_utc TIME_INVALID", "7 oat_c VALUE_NOT_A_NUMBER", "7 torque_nm VALUE_NOT_A_NUMBER", "8  ROW_UNREADABLE",
	}
	var got []string
	for _, p := range bound.Problems {
		got = append(got, fmt.Sprintf("%d %s %s", p.Line, p.Column, p.Reason))
		if len(p.Text) < 20 || !strings.HasSuffix(p.Text, ".") {
			t.Errorf("%+v doesn't say what to do", p)
		}
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got %s", strings.Join(got, "\n"))
	}
	if len(bound.Records) != 1 || bound.Records[0].Line != 2 {
		t.Errorf("got %+v", bound.Records)
	}
}

// A number such as 1,234 may be a decimal or thousands; other numbers of the file tell, or it is refused (case B19).
func TestTheFileTellsItsDecimalMark(t *testing.T) {
	for _, c := range []struct{ cells, want string }{
		{"1,234|21,5", "1.234|21.5"}, {"1.234|21.5", "1.234|21.5"}, {"1.234", "1.234"}, {"1,234", "?"}, {"1.234|21,5", "?|21.5"},
		{"1,234|21.5", "?|21.5"}, {"21.5|21,5|1.234", "21.5|21.5|?"}, {"0,125|1,125", "0.125|1.125"}, {"+7|-7,5", "7|-7.5"}, {"1.234.567|1 234,5", "?|?"},
	} {
		var rows []string
		for cell := range strings.SplitSeq(c.cells, "|") {
			rows = append(rows, "DEMO-1;2026-03-01T06:54Z;15;"+cell+"\n")
		}
		bound := bind(t, "engine_serial;time_utc;oat_c;torque_nm\n"+strings.Join(rows, ""))
		got := make([]string, len(rows))
		for _, p := range bound.Problems {
			if got[p.Line-2] = "?"; p.Reason != "VALUE_AMBIGUOUS" {
				t.Errorf("%s: %+v", c.cells, p)
			}
		}
		for _, r := range bound.Records {
			got[r.Line-2] = r.Get("torque").Text
		}
		if got := strings.Join(got, "|"); got != c.want {
			t.Errorf("%s: got %s, want %s", c.cells, got, c.want)
		}
	}
}

func TestAUnitThatDoesNotFitIsFlagged(t *testing.T) {
	bound := bind(t, "engine_serial,time_utc,oat_c\nDEMO-1,2026-03-01T06:54Z,68\nDEMO-1,2026-03-01T06:55Z,71\nDEMO-1,2026-03-01T06:56Z,50\n")
	if len(bound.Records) != 3 || len(bound.Warnings) != 1 {
		t.Fatalf("got %+v", bound)
	}
	w := bound.Warnings[0]
	if w.Line != 2 || w.Column != "oat_c" || w.Reason != "UNIT_UNLIKELY" || !strings.Contains(w.Text, "2 of 3 values lie outside -60 to 55 °C") ||
		!strings.Contains(w.Text, "Read in °F, 3 lie inside") {
		t.Errorf("got %+v", w)
	}
}

func TestHeadersThatAreRefused(t *testing.T) {
	for header, reason := range map[string]string{
		"": "HEADER_INVALID", "engine_serial,time_utc,oat": "HEADER_INVALID", "engine_serial,time_utc,oat_x": "UNIT_UNKNOWN", "engine_serial,time_utc,oat_psi": "UNIT_MISMATCH",
		"engine_serial,time_utc,oat_c,OAT °F": "HEADER_INVALID", "engine_serial,oat_c": "HEADER_INVALID", "engine_serial,time_utc,oat_c,colour": "HEADER_INVALID",
		"engine_serial,time_utc,oat_c,": "HEADER_INVALID", "engine_serial,time_utc,oat_c,torque_mohm": "UNIT_UNKNOWN",
	} {
		table, err := sheet.Read([]byte(header+"\n"), sheet.CSV, sheet.Options{})
		if err == nil {
			_, err = table.Bind(engine...)
		}
		if !fault.HasReason(err, reason) {
			t.Errorf("%q: got %v, want %s", header, err, reason)
		}
	}
}

func TestEncodingsThatAreRefusedSayWhatToDo(t *testing.T) {
	wide := []byte{0xff, 0xfe}
	for _, u := range utf16.Encode([]rune("oat_c\n15\n")) {
		wide = append(wide, byte(u), byte(u>>8))
	}
	for _, c := range []struct {
		data string
		line string
	}{{string(wide), ""}, {"oat_c\n15\n\xb0\n", "line 3"}, {"oat_c\r15\r\x00", "line 3"}, {"\xef\xbf", "line 1"}} {
		_, err := sheet.Read([]byte(c.data), sheet.CSV, sheet.Options{})
		if !fault.HasReason(err, "TEXT_NOT_UTF8") || !strings.Contains(err.Error(), "Save it as CSV in UTF-8") || !strings.Contains(err.Error(), c.line) {
			t.Errorf("%q: got %v", c.data, err)
		}
	}
}

func TestLimits(t *testing.T) {
	small := sheet.Limits{Bytes: 400, Rows: 3, Columns: 4, Cells: 9, CellBytes: 20}
	for name, text := range map[string]string{
		"bytes": strings.Repeat("a,b\n", 101), "rows": "a\n1\n2\n3\n4\n", "blank rows": "a\n1\n,\n,\n,\n", "bad rows": "a\n1\"\n1\"\n1\"\n1\"\n",
		"columns": "a\n1,2,3,4,5\n", "cells": "a,b,c\n1,2,3\n1,2,3\n1,2,3\n", "cell": "a\n" + strings.Repeat("x", 21) + "\n",
	} {
		if _, err := sheet.Read([]byte(text), sheet.CSV, sheet.Options{Limits: small}); !fault.HasReason(err, "TABLE_TOO_LARGE") {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if _, err := sheet.Read([]byte("a,b,c\n1,2,3\n4,5,6\n"), sheet.CSV, sheet.Options{Limits: small}); err != nil {
		t.Error(err)
	}
}

// A small file that unpacks to a large one is refused before it is kept.
func TestADecompressionBombIsRefused(t *testing.T) {
	var packed bytes.Buffer
	z := zip.NewWriter(&packed)
	part, err := z.Create("xl/worksheets/sheet1.xml")
	if err != nil {
		t.Fatal(err)
	}
	for range 300 {
		if _, err := part.Write(make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if packed.Len() > 1<<20 {
		t.Fatalf("the bomb has %d bytes", packed.Len())
	}
	if _, err := sheet.Read(packed.Bytes(), sheet.XLSX, sheet.Options{}); !fault.HasReason(err, "TABLE_TOO_LARGE") {
		t.Errorf("got %v", err)
	}
}

func TestQuotesThatDoNotClose(t *testing.T) {
	bound := bind(t, "engine_serial,time_utc,oat_c\nDEMO-1,2026-03-01T06:54Z,15\n\"DEMO-1,2026-03-01T06:54Z,15\nDEMO-1,2026-03-01T06:54Z,15\n")
	if len(bound.Records) != 1 || len(bound.Problems) != 1 || bound.Problems[0].Line != 3 || !strings.Contains(bound.Problems[0].Text, "up to line 4") {
		t.Errorf("got %+v", bound)
	}
	if _, err := sheet.Read([]byte("\"oat_c\n"), sheet.CSV, sheet.Options{}); !fault.HasReason(err, "HEADER_INVALID") {
		t.Errorf("got %v", err)
	}
}

func TestLineEndsOfEverySystemCountAsLines(t *testing.T) {
	bound := bind(t, "engine_serial,time_utc,oat_c\rDEMO-1,2026-03-01T06:54Z,15\r\nDEMO-1,2026-03-01T06:54Z,16\n\rDEMO-1,2026-03-01T06:54Z,17")
	var lines []int
	for _, r := range bound.Records {
		lines = append(lines, r.Line)
	}
	if fmt.Sprint(lines) != "[2 3 5]" {
		t.Errorf("got %v, problems %+v", lines, bound.Problems)
	}
}

// A title above the header is told of with the line of the header, whatever stands between fields; a header that names nothing known is not
// taken for a title.
func TestATitleAboveTheHeader(t *testing.T) {
	for text, line := range map[string]string{
		"Engine readings\n\nengine_serial,time_utc,oat_c\nDEMO-1,2026-03-01T06:54Z,15\n":                 "line 3",
		"Engine readings;;\r\nShop, May;;\r\nengine_serial;time_utc;oat_c\r\nDEMO-1;2026-03-01;15,5\r\n": "line 3",
		"Engine readings\nengine_serial\ttime_utc\toat_c\tcolour\n":                                      "line 2",
		"serial\nengine_serial;time_utc;oat_c\n":                                                         "line 2",
		"engine_serial,time_utc,colour\nDEMO-1,2026-03-01T06:54Z,red\n":                                  "colour",
		"Engine readings\nnothing known\n":                                                               "Engine readings",
	} {
		table, err := sheet.Read([]byte(text), sheet.CSV, sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = table.Bind(engine...)
		if !fault.HasReason(err, "HEADER_INVALID") || !strings.Contains(err.Error(), line) {
			t.Errorf("%q: %v", text, err)
		}
		if title := strings.HasPrefix(line, "line"); title != strings.Contains(err.Error(), "Remove what stands above "+line) {
			t.Errorf("%q: %v", text, err)
		}
	}
}
