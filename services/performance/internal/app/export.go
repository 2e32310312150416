package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// exported is a column of an export and its text.
type exported struct {
	sheet.Column

	text func(r *performancev1.Reading) string
}

func number(name, unit string, value func(r *performancev1.Reading) float64) exported {
	return exported{sheet.Column{Name: name, Unit: unit, Kind: sheet.Amount}, func(r *performancev1.Reading) string { return sheet.FormatFloat(value(r)) }}
}

// deviating is a number that is blank for readings without a deviation.
func deviating(name, unit string, value func(d *performancev1.Deviation) float64) exported {
	return exported{sheet.Column{Name: name, Unit: unit, Kind: sheet.Amount}, func(r *performancev1.Reading) string {
		if r.GetDeviation() == nil {
			return ""
		}
		return sheet.FormatFloat(value(r.GetDeviation()))
	}}
}

// given leaves the cell blank for a reading that doesn't say.
func given(entered func(r *performancev1.Reading) *commonv1.Entered, c exported) exported {
	text := c.text
	c.text = func(r *performancev1.Reading) string {
		if entered(r) == nil {
			return ""
		}
		return text(r)
	}
	return c
}

func words(name string, text func(r *performancev1.Reading) string) exported {
	return exported{sheet.Column{Name: name}, text}
}

// measurements are the columns that an import takes, in canonical units.
var measurements = []exported{
	{sheet.Column{Name: "time_utc", Kind: sheet.Time}, func(r *performancev1.Reading) string { return sheet.FormatTime(r.GetReadTime().AsTime()) }},
	words("phase", (*performancev1.Reading).GetPhase), words("source_id", (*performancev1.Reading).GetSourceId),
	number("pressure_altitude", "m", func(r *performancev1.Reading) float64 { return r.GetValues().GetPressureAltitudeM() }),
	number("oat", "Cel", func(r *performancev1.Reading) float64 { return r.GetValues().GetOatC() }),
	given((*performancev1.Reading).GetAirspeed, number("airspeed", "[kn_i]", func(r *performancev1.Reading) float64 { return r.GetValues().GetAirspeedKt() })),
	number("torque", "N.m", func(r *performancev1.Reading) float64 { return r.GetValues().GetTorqueNm() }),
	number("propeller_speed", "{rpm}", func(r *performancev1.Reading) float64 { return r.GetValues().GetPropellerSpeedRpm() }),
	number("ng", "%", func(r *performancev1.Reading) float64 { return r.GetValues().GetNgPct() }),
	number("itt", "Cel", func(r *performancev1.Reading) float64 { return r.GetValues().GetIttC() }),
	number("fuel_flow", "kg/h", func(r *performancev1.Reading) float64 { return r.GetValues().GetFuelFlowKgH() }),
	given((*performancev1.Reading).GetOperatingHours, number("operating_hours", "h", func(r *performancev1.Reading) float64 { return r.GetValues().GetOperatingHours() })),
}

// results are the columns that the analysis made; an import knows them and passes over them.
var results = []exported{
	number("power", "kW", func(r *performancev1.Reading) float64 { return r.GetValues().GetPowerKw() }),
	deviating("itt_deviation", "Cel", (*performancev1.Deviation).GetIttC),
	deviating("ng_deviation", "%", (*performancev1.Deviation).GetNgPct),
	deviating("fuel_flow_deviation", "%", (*performancev1.Deviation).GetFuelFlowPct),
	words("state", func(r *performancev1.Reading) string { return r.GetState().String() }),
	words("state_reason", (*performancev1.Reading).GetStateReason), words("state_text", (*performancev1.Reading).GetStateText),
	{sheet.Column{Name: "model_revision", Kind: sheet.Integer}, func(r *performancev1.Reading) string { return strconv.Itoa(int(r.GetModelRevision())) }},
	words("reading", (*performancev1.Reading).GetName), words("superseded_reading", (*performancev1.Reading).GetSupersededReading),
	words("correcting_reading", (*performancev1.Reading).GetCorrectingReading), words("source", (*performancev1.Reading).GetSource),
}

// resultColumns are the results as a reader of tables knows them.
func resultColumns() []sheet.Want {
	var wants []sheet.Want
	for _, c := range results {
		wants = append(wants, sheet.Want{Name: c.Heading()}) // as text: nothing is taken from them
	}
	return wants
}

// ExportReadings gives an engine's readings as a file. Reason: TABLE_TOO_LARGE.
func (a *App) ExportReadings(ctx context.Context, req *performancev1.ExportReadingsRequest) (*performancev1.ExportReadingsResponse, error) {
	var readings []*performancev1.Reading
	var profile store.Profile
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		var known bool
		if profile, known, err = store.FindProfile(ctx, tx, req.GetParent()); err != nil || !known {
			return missing(req.GetParent(), err)
		}
		condition, args := store.Under(profile.Name + "/readings")
		if req.GetStartTime() != nil {
			args = append(args, storage.Micros(req.GetStartTime().AsTime()))
			condition += fmt.Sprintf(" AND read_time >= $%d", len(args))
		}
		if req.GetEndTime() != nil {
			args = append(args, storage.Micros(req.GetEndTime().AsTime()))
			condition += fmt.Sprintf(" AND read_time <= $%d", len(args))
		}
		condition += fmt.Sprintf(" ORDER BY read_time, name LIMIT %d", sheet.DefaultLimits.Rows+1)
		readings, err = store.Readings.Where(ctx, tx, condition, args...)
		return err
	})
	if err != nil {
		return nil, err
	}
	if len(readings) > sheet.DefaultLimits.Rows {
		return nil, fault.Invalid("start_time", "TABLE_TOO_LARGE", "The engine has more than %d readings in that time. Narrow start_time and end_time.", sheet.DefaultLimits.Rows)
	}
	resp := &performancev1.ExportReadingsResponse{RowCount: int32(len(readings))}
	resp.Content, resp.MediaType, resp.FileName, err = export(profile.Serial, readings, req.GetFormat())
	if err == nil && len(resp.GetContent()) > mostBytes {
		err = fault.Invalid("start_time", "TABLE_TOO_LARGE", "The file has more than %d bytes. Narrow start_time and end_time, or take Parquet.", mostBytes)
	}
	return resp, err
}

// mostBytes leaves room in one message of the contract.
const mostBytes = 16 << 20

func missing(name string, err error) error {
	if err != nil {
		return err
	}
	return fault.Missing(name)
}

// export writes the readings of one engine.
func export(serial string, readings []*performancev1.Reading, format performancev1.TableFormat) (content []byte, mediaType, fileName string, err error) {
	all := slices.Concat([]exported{words("engine_serial", func(*performancev1.Reading) string { return serial })}, measurements, results)
	heads := make([]sheet.Column, len(all))
	for i, c := range all {
		heads[i] = c.Column
	}
	rows := make([][]string, len(readings))
	for i, r := range readings {
		rows[i] = make([]string, len(all))
		for j, c := range all {
			rows[i][j] = c.text(r)
		}
	}
	name := "readings-" + plainSerial(serial)
	if format == performancev1.TableFormat_TABLE_FORMAT_JSON {
		content, err = jsonRows(heads, rows)
		return content, "application/json", name + ".json", err
	}
	f, known := formats[format]
	if !known {
		f = sheet.CSV
	}
	var out bytes.Buffer
	w, err := sheet.NewWriter(&out, f, heads)
	if err != nil {
		return nil, "", "", err
	}
	for _, row := range rows {
		if err := w.Write(row...); err != nil {
			return nil, "", "", err
		}
	}
	if err := w.Close(); err != nil {
		return nil, "", "", err
	}
	return out.Bytes(), f.MediaType(), name + "." + string(f), nil
}

// jsonRows writes an array with one object a row, whose keys are the headings of the other formats; blank cells are left out.
func jsonRows(heads []sheet.Column, rows [][]string) ([]byte, error) {
	out := bytes.NewBufferString("[")
	for i, row := range rows {
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteString("\n{")
		first := true
		for j, cell := range row {
			if cell == "" {
				continue
			}
			value := []byte(cell)
			if kind := heads[j].Kind; kind != sheet.Amount && kind != sheet.Integer {
				var err error
				if value, err = json.Marshal(cell); err != nil {
					return nil, err
				}
			}
			if !first {
				out.WriteByte(',')
			}
			first = false
			fmt.Fprintf(out, "%q:%s", heads[j].Heading(), value)
		}
		out.WriteByte('}')
	}
	out.WriteString("\n]\n")
	return out.Bytes(), nil
}

// plainSerial is a serial number as a part of a file's name.
func plainSerial(serial string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, serial)
}
