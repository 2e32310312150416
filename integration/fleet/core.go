package main

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"coldsection.example/services/performance/trend"
)

// judgeCore assesses a fleet by the analysis alone, without the suite around it: seconds instead of minutes.
func judgeCore(f folder) (report, error) {
	var table []trend.Point
	for _, p := range f.baseline {
		table = append(table, trend.Point{
			Altitude: p.GetPressureAltitudeM(), OAT: p.GetOatC(), Airspeed: p.GetAirspeedKt(), Np: p.GetPropellerSpeedRpm(), Torque: p.GetTorqueNm(),
			ITT: p.GetIttC(), Ng: p.GetNgPct(), Fuel: p.GetFuelFlowKgH(),
		})
	}
	model, err := trend.Fit(table)
	if err != nil {
		return report{}, err
	}
	out := report{ReadingsTotal: len(f.rows), Engines: []engineReport{}, Held: []held{}}
	readings, err := f.readings(&out)
	if err != nil {
		return out, err
	}
	events := map[string][]trend.Event{}
	for _, e := range f.events {
		events[e.serial] = append(events[e.serial], trend.Event{At: e.at, Hours: e.hours, Kind: e.kind})
	}
	for _, serial := range f.serials() {
		out.add(serial, trend.Analyse(model, readings[serial], events[serial], trend.Rules{}))
	}
	slices.SortFunc(out.Held, func(a, b held) int { return cmp.Or(cmp.Compare(a.Serial, b.Serial), cmp.Compare(a.Time, b.Time)) })
	return out, nil
}

// readings are the rows that can be read, by engine; the others are reported as refused.
func (f *folder) readings(out *report) (map[string][]trend.Reading, error) {
	names, err := csv.NewReader(strings.NewReader(f.header)).Read()
	if err != nil {
		return nil, err
	}
	readings, known := map[string][]trend.Reading{}, map[string]bool{}
	for i, r := range f.rows {
		fields, err := csv.NewReader(strings.NewReader(r.text)).Read()
		if err != nil || len(fields) != len(names) {
			return nil, fmt.Errorf("readings.csv, line %d can't be read", i+2)
		}
		v, missing := map[string]float64{}, ""
		for j, name := range names {
			unit, wanted := trade[name]
			if !wanted && name != "engine_hours" {
				continue
			}
			if v[name], err = number(fields[j], unit); err != nil {
				missing = name
			}
		}
		if missing != "" {
			out.Held = append(out.Held, held{r.serial, r.time, "VALUE_NOT_A_NUMBER", missing + " is missing"})
			continue
		}
		if known[r.text] {
			continue
		}
		known[r.text] = true
		readings[r.serial] = append(readings[r.serial], trend.Reading{ID: strconv.Itoa(i), At: r.at, Hours: v["engine_hours"], Point: trend.Point{
			Altitude: v["pressure_altitude_ft"], OAT: v["oat_c"], Airspeed: v["cas_kt"], Np: v["np_rpm"], Torque: v["torque_lbf_ft"],
			ITT: v["itt_c"], Ng: v["ng_pct"], Fuel: v["fuel_flow_lb_h"],
		}})
	}
	return readings, nil
}

// add writes what the analysis says of an engine.
func (out *report) add(serial string, r trend.Result) {
	e := engineReport{Serial: serial, Advices: []advice{}, Shifts: []shift{}, Recoveries: []recovery{}}
	stamp := func(t time.Time) string { return t.Format(time.RFC3339) }
	for _, a := range r.Advices {
		e.Advices = append(e.Advices, advice{stamp(a.At), "recovery_wash", a.Cause})
	}
	for _, s := range r.Shifts {
		x := shift{Time: stamp(s.DetectedAt), Onset: stamp(s.Onset)}
		for _, step := range s.Steps {
			at := causeStep{Time: stamp(step.At), Evidence: step.Evidence, Verdict: "cannot_tell"}
			if step.Named {
				at.Verdict = "named"
			}
			for _, c := range step.Causes {
				at.Candidates = append(at.Candidates, candidate{c.Name, c.Probability})
			}
			x.Steps = append(x.Steps, at)
		}
		x.asDetected()
		e.Shifts = append(e.Shifts, x)
	}
	for _, w := range r.Recoveries {
		e.Recoveries = append(e.Recoveries, recovery{stamp(w.At), around(w.ITT), around(w.Ng), around(w.Fuel), outcomes[w.Outcome], w.Text})
	}
	for i, v := range r.Verdicts {
		if v.State == trend.Held || v.State == trend.Outlier {
			out.Held = append(out.Held, held{serial, r.Readings[i].At.Format(minutes), v.Reason, v.Text})
		}
	}
	out.Engines = append(out.Engines, e)
}

var outcomes = map[any]string{trend.Recovered: "recovered", trend.NotRecovered: "not_recovered", trend.CannotTell: "cannot_tell"}

func around(e trend.Estimate) *interval {
	if e.Half > 1e6 {
		return nil
	}
	return &interval{e.Value, e.Value - e.Half, e.Value + e.Half}
}
