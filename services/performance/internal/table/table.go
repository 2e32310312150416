// Package table reads tables of readings from text: a unit in each column's name, comma or semicolon between fields,
// decimal point or comma. It reports every bad row by itself and loses none.
package table

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// Row is one reading as entered.
type Row struct {
	Line   int
	Serial string
	At     time.Time
	Phase  string
	Values map[string]Entered // by field: pressure_altitude, oat, airspeed, torque, propeller_speed, ng, itt, fuel_flow, operating_hours
}

// Entered is a text with its UCUM unit.
type Entered struct{ Text, Unit string }

// Problem is what was wrong with a row.
type Problem struct {
	Line                 int
	Column, Reason, Text string
}

// MaxRows is how many rows one table may have.
const MaxRows = 100_000

// columns are the known column names: field and UCUM unit.
var columns = map[string]struct{ field, unit string }{
	"pressure_altitude_ft": {"pressure_altitude", "[ft_i]"}, "pressure_altitude_m": {"pressure_altitude", "m"},
	"oat_c": {"oat", "Cel"}, "oat_f": {"oat", "[degF]"},
	"cas_kt": {"airspeed", "[kn_i]"}, "airspeed_kt": {"airspeed", "[kn_i]"},
	"torque_lbf_ft": {"torque", "[ft_i].[lbf_av]"}, "torque_nm": {"torque", "N.m"},
	"np_rpm": {"propeller_speed", "{rpm}"}, "propeller_speed_rpm": {"propeller_speed", "{rpm}"},
	"ng_pct": {"ng", "%"}, "itt_c": {"itt", "Cel"}, "itt_f": {"itt", "[degF]"},
	"fuel_flow_lb_h": {"fuel_flow", "[lb_av]/h"}, "fuel_flow_kg_h": {"fuel_flow", "kg/h"},
	"engine_hours": {"operating_hours", "h"}, "operating_hours_h": {"operating_hours", "h"},
}

var required = []string{"pressure_altitude", "oat", "torque", "propeller_speed", "ng", "itt", "fuel_flow"}

// Read reads a whole table. A header that can't be understood is an error; bad rows are problems. Reasons: HEADER_INVALID,
// UNIT_UNKNOWN, TABLE_TOO_LARGE.
func Read(text string) ([]Row, []Problem, error) {
	r := csv.NewReader(bufio.NewReader(strings.NewReader(strings.TrimPrefix(text, "\ufeff"))))
	first, _, _ := strings.Cut(text, "\n")
	if strings.Count(first, ";") > strings.Count(first, ",") {
		r.Comma = ';'
	}
	r.FieldsPerRecord, r.ReuseRecord, r.TrimLeadingSpace = -1, true, true
	header, err := r.Read()
	if err != nil {
		return nil, nil, fault.Invalid("csv", "HEADER_INVALID", "The table has no header. Its first line names the columns, each with its unit.")
	}
	layout, err := readHeader(header)
	if err != nil {
		return nil, nil, err
	}
	return layout.rows(r)
}

// layout says what each column holds.
type layout struct {
	names []string
}

func readHeader(header []string) (layout, error) {
	l := layout{}
	seen := map[string]bool{}
	for _, name := range header {
		name = strings.ToLower(strings.TrimSpace(name))
		l.names = append(l.names, name)
		switch c, known := columns[name]; {
		case known && seen[c.field]:
			return l, fault.Invalid("csv", "HEADER_INVALID", "Two columns give %s. Keep one.", c.field)
		case known:
			seen[c.field] = true
		case name == "engine_serial" || name == "time_utc" || name == "phase" || name == "source_id":
			seen[name] = true
		case strings.Contains(name, "_"):
			return l, fault.Invalid("csv", "UNIT_UNKNOWN", "The column %q is not known with that unit. Known ones are such as oat_c, oat_f, torque_nm, torque_lbf_ft, fuel_flow_kg_h.", name)
		default:
			return l, fault.Invalid("csv", "HEADER_INVALID", "The column %q has no unit in its name. Name it such as oat_c or torque_nm.", name)
		}
	}
	for _, need := range append([]string{"engine_serial", "time_utc"}, required...) {
		if !seen[need] {
			return l, fault.Invalid("csv", "HEADER_INVALID", "The table has no column for %s. Add it, with its unit in the name.", need)
		}
	}
	return l, nil
}

func (l layout) rows(r *csv.Reader) (rows []Row, problems []Problem, err error) {
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, problems, nil
		}
		if len(rows)+len(problems) >= MaxRows {
			return nil, nil, fault.Invalid("csv", "TABLE_TOO_LARGE", "The table has more than %d rows. Split it.", MaxRows)
		}
		line, _ := r.FieldPos(0)
		if err != nil {
			problems = append(problems, Problem{line, "", "ROW_UNREADABLE", "The row's quotes don't close. Correct it."})
			continue
		}
		row, problem := l.row(record, line)
		if problem != nil {
			problems = append(problems, *problem)
			continue
		}
		rows = append(rows, row)
	}
}

func (l layout) row(record []string, line int) (Row, *Problem) {
	if len(record) != len(l.names) {
		return Row{}, &Problem{line, "", "ROW_LENGTH", fmt.Sprintf("The row has %d fields and the header %d. A decimal comma needs semicolons between fields.", len(record), len(l.names))}
	}
	row := Row{Line: line, Values: map[string]Entered{}}
	for i, name := range l.names {
		text := strings.TrimSpace(record[i])
		switch name {
		case "engine_serial":
			row.Serial = strings.Clone(text)
		case "phase":
			row.Phase = strings.Clone(text)
		case "source_id":
		case "time_utc":
			at, err := readTime(text)
			if err != nil {
				return row, &Problem{line, name, "TIME_INVALID", fmt.Sprintf("%.40q is not a UTC time such as 2026-03-01T06:54Z.", text)}
			}
			row.At = at
		default:
			if problem := row.take(name, text, line); problem != nil {
				return row, problem
			}
		}
	}
	problem := row.complete()
	return row, problem
}

func (r *Row) take(name, text string, line int) *Problem {
	c := columns[name]
	if text == "" {
		return nil
	}
	if strings.Count(text, ",")+strings.Count(text, ".") > 1 {
		return &Problem{line, name, "VALUE_AMBIGUOUS", fmt.Sprintf("%.40q could be read in two ways. Give it without grouping.", text)}
	}
	plain := strings.Replace(text, ",", ".", 1)
	if _, err := quantity.Parse(plain, c.unit); err != nil {
		return &Problem{line, name, "VALUE_NOT_A_NUMBER", fmt.Sprintf("%.40q is not a number.", text)}
	}
	r.Values[c.field] = Entered{strings.Clone(plain), c.unit}
	return nil
}

func (r *Row) complete() *Problem {
	if r.Serial == "" {
		return &Problem{r.Line, "engine_serial", "VALUE_MISSING", "The row names no engine."}
	}
	for _, need := range required {
		if _, ok := r.Values[need]; !ok {
			return &Problem{r.Line, need, "VALUE_MISSING", "The row has no " + need + "."}
		}
	}
	return nil
}

func readTime(text string) (time.Time, error) {
	var err error
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04Z", "2006-01-02T15:04Z07:00"} {
		var t time.Time
		if t, err = time.Parse(form, text); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, err
}
