package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/quantity"
)

// folder is a fleet as it stands in its files.
type folder struct {
	baseline []*performancev1.BaselinePoint
	header   string // of the readings
	rows     []row  // in the order of their arrival
	events   []event
}

// row is a line of readings.csv.
type row struct {
	serial, time string
	at           time.Time
	text         string
}

// event is a line of events.csv.
type event struct {
	serial, kind string
	at           time.Time
	hours        float64
}

const minutes = "2006-01-02T15:04Z07:00"

func readFolder(dir string) (f folder, err error) {
	if f.baseline, err = readBaseline(filepath.Join(dir, "baseline.csv")); err != nil {
		return f, err
	}
	if f.header, f.rows, err = readRows(filepath.Join(dir, "readings.csv")); err != nil {
		return f, err
	}
	f.events, err = readEvents(filepath.Join(dir, "events.csv"))
	return f, err
}

// records reads a table into maps by column.
func records(path string) ([]map[string]string, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	lines, err := csv.NewReader(file).ReadAll()
	if err != nil || len(lines) == 0 {
		return nil, errors.Join(err, fmt.Errorf("%s holds no table that can be read", filepath.Base(path)))
	}
	var out []map[string]string
	for _, line := range lines[1:] {
		r := map[string]string{}
		for i, name := range lines[0] {
			r[name] = line[i]
		}
		out = append(out, r)
	}
	return out, nil
}

// trade are the columns of the baseline in trade units, with their UCUM codes; without a code the value stays as it is.
var trade = map[string]string{
	"pressure_altitude_ft": "[ft_i]", "torque_lbf_ft": "[ft_i].[lbf_av]", "fuel_flow_lb_h": "[lb_av]/h",
	"oat_c": "", "cas_kt": "", "np_rpm": "", "itt_c": "", "ng_pct": "",
}

func readBaseline(path string) ([]*performancev1.BaselinePoint, error) {
	table, err := records(path)
	if err != nil {
		return nil, err
	}
	var out []*performancev1.BaselinePoint
	for i, r := range table {
		v := map[string]float64{}
		for name, unit := range trade {
			if v[name], err = number(r[name], unit); err != nil {
				return nil, fmt.Errorf("baseline.csv, row %d, %s: %w", i+1, name, err)
			}
		}
		out = append(out, &performancev1.BaselinePoint{
			PressureAltitudeM: v["pressure_altitude_ft"], OatC: v["oat_c"], AirspeedKt: v["cas_kt"], PropellerSpeedRpm: v["np_rpm"],
			TorqueNm: v["torque_lbf_ft"], IttC: v["itt_c"], NgPct: v["ng_pct"], FuelFlowKgH: v["fuel_flow_lb_h"],
		})
	}
	return out, nil
}

func number(text, unit string) (float64, error) {
	if unit == "" {
		return strconv.ParseFloat(text, 64)
	}
	q, err := quantity.Parse(text, unit)
	if err != nil {
		return 0, err
	}
	return q.Canonical(), nil
}

// readRows keeps each line as it is, so that the suite reads what was logged.
func readRows(path string) (header string, rows []row, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", nil, err
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	if !strings.HasPrefix(lines[0], "engine_serial,time_utc,") {
		return "", nil, errors.New("readings.csv does not begin with engine_serial,time_utc")
	}
	for i, line := range lines[1:] {
		serial, rest, _ := strings.Cut(line, ",")
		when, _, _ := strings.Cut(rest, ",")
		at, err := time.Parse(minutes, when)
		if err != nil {
			return "", nil, fmt.Errorf("readings.csv, line %d: %w", i+2, err)
		}
		rows = append(rows, row{serial, when, at, line})
	}
	return lines[0], rows, nil
}

func readEvents(path string) ([]event, error) {
	table, err := records(path)
	if err != nil {
		return nil, err
	}
	var out []event
	for i, r := range table {
		at, err := time.Parse(minutes, r["time_utc"])
		if err != nil {
			return nil, fmt.Errorf("events.csv, row %d: %w", i+1, err)
		}
		hours, err := strconv.ParseFloat(r["engine_hours"], 64)
		if err != nil {
			return nil, fmt.Errorf("events.csv, row %d: %w", i+1, err)
		}
		out = append(out, event{r["engine_serial"], r["event"], at, hours})
	}
	slices.SortStableFunc(out, func(a, b event) int { return a.at.Compare(b.at) })
	return out, nil
}

// serials are the engines of the fleet, sorted.
func (f *folder) serials() []string {
	var out []string
	for _, r := range f.rows {
		out = append(out, r.serial)
	}
	slices.Sort(out)
	return slices.Compact(out)
}
