package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/performance/internal/table"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/storage"
)

// ImportReadings reads a table. Every bad row is reported; every good one is taken in one transaction.
func (a *App) ImportReadings(ctx context.Context, req *performancev1.ImportReadingsRequest) (*performancev1.ImportReadingsResponse, error) {
	rows, problems, err := table.Read(req.GetCsv())
	if err != nil {
		return nil, err
	}
	profiles := map[string]store.Profile{}
	for _, row := range rows {
		if _, known := profiles[row.Serial]; known {
			continue
		}
		p, err := a.know(ctx, row.Serial)
		if err != nil && !fault.HasReason(err, "ENGINE_UNKNOWN") {
			return nil, err
		}
		profiles[row.Serial] = p
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.ImportReadingsResponse, error) {
		i := &importing{unit: a.unit(ctx, tx), source: req.GetSource(), resp: &performancev1.ImportReadingsResponse{}, lines: map[string]int32{}, taken: map[string][]string{}}
		for _, p := range problems {
			i.refuse(p.Line, p.Column, p.Reason, p.Text)
		}
		for _, row := range rows {
			if err := i.take(ctx, row, profiles[row.Serial]); err != nil {
				return nil, err
			}
		}
		i.resp.RowsTotal = int32(len(rows) + len(problems))
		return i.finish(ctx)
	})
}

// importing is one import under way.
type importing struct {
	unit

	source string
	resp   *performancev1.ImportReadingsResponse
	lines  map[string]int32    // of each new reading
	taken  map[string][]string // new readings by engine
}

func (i *importing) refuse(line int, column, reason, text string) {
	i.resp.Problems = append(i.resp.Problems, &performancev1.RowProblem{Line: int32(line), Column: column, Reason: reason, Text: text, Refused: true})
}

func (i *importing) take(ctx context.Context, row table.Row, p store.Profile) error {
	if p.Name == "" {
		i.refuse(row.Line, "engine_serial", "ENGINE_UNKNOWN", fmt.Sprintf("Compliance knows no engine with the serial number %.40q.", row.Serial))
		return nil
	}
	if row.At.After(i.now) {
		i.refuse(row.Line, "time_utc", "READING_IN_FUTURE", "The reading's time has not come yet.")
		return nil
	}
	reading := &performancev1.Reading{ReadTime: timestamppb.New(row.At), Phase: row.Phase, Source: i.source, State: performancev1.Reading_ACCEPTED}
	enter(reading, row)
	if err := canonical(reading); err != nil {
		i.refuse(row.Line, "", "VALUE_NOT_A_NUMBER", err.Error())
		return nil
	}
	reading.Name = p.Name + "/readings/" + contentID(reading)
	err := store.Readings.Insert(ctx, i.Tx, reading, i.now)
	if fault.HasReason(err, "ALREADY_EXISTS") {
		i.resp.RowsKnown++
		return nil
	}
	if err != nil {
		return err
	}
	i.resp.RowsTaken++
	i.lines[reading.GetName()] = int32(row.Line)
	i.taken[p.Name] = append(i.taken[p.Name], reading.GetName())
	return nil
}

// contentID is the same for the same reading, whenever and however often it is sent.
func contentID(r *performancev1.Reading) string {
	h := sha256.New()
	v := r.GetValues()
	_, _ = fmt.Fprintf(h, "%d|%s|%v|%v|%v|%v|%v|%v|%v|%v", r.GetReadTime().AsTime().UnixMicro(), r.GetSourceId(), v.GetPressureAltitudeM(), v.GetOatC(), v.GetAirspeedKt(),
		v.GetTorqueNm(), v.GetPropellerSpeedRpm(), v.GetNgPct(), v.GetIttC(), v.GetFuelFlowKgH())
	return "r" + hex.EncodeToString(h.Sum(nil))[:31]
}

func (i *importing) finish(ctx context.Context) (*performancev1.ImportReadingsResponse, error) {
	for _, engine := range slices.Sorted(mapsKeys(i.taken)) {
		i.resp.Engines = append(i.resp.Engines, engine)
		if err := i.analyse(ctx, engine); err != nil {
			return nil, err
		}
		held, err := i.report(ctx, i.taken[engine])
		if err != nil {
			return nil, err
		}
		if err := i.recorded(ctx, engine, i.taken[engine], held); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(i.resp.GetProblems(), func(a, b *performancev1.RowProblem) int { return int(a.GetLine() - b.GetLine()) })
	return i.resp, nil
}

func mapsKeys(m map[string][]string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// report names every new reading that the analysis did not accept.
func (i *importing) report(ctx context.Context, names []string) (held int32, err error) {
	for _, name := range names {
		r, err := store.Readings.Get(ctx, i.Tx, name)
		if err != nil {
			return held, err
		}
		if r.GetState() == performancev1.Reading_ACCEPTED {
			continue
		}
		if r.GetState() == performancev1.Reading_HELD {
			held++
			i.resp.RowsHeld++
		}
		i.resp.Problems = append(i.resp.Problems, &performancev1.RowProblem{Line: i.lines[name], Reason: r.GetStateReason(), Text: r.GetStateText()})
	}
	return held, nil
}

func (u unit) recorded(ctx context.Context, engine string, names []string, held int32) error {
	first, err := store.Readings.Get(ctx, u.Tx, names[0])
	if err != nil {
		return err
	}
	last, err := store.Readings.Get(ctx, u.Tx, names[len(names)-1])
	if err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.engine.reading.recorded.v1", engine, &performancev1.ReadingsRecorded{
		Engine: engine, TakenCount: int32(len(names)), HeldCount: held, FirstReadTime: first.GetReadTime(), LastReadTime: last.GetReadTime(),
	})
}

func enter(r *performancev1.Reading, row table.Row) {
	get := func(field string) *commonv1.Entered {
		if v, ok := row.Values[field]; ok {
			return &commonv1.Entered{Text: v.Text, UnitCode: v.Unit}
		}
		return nil
	}
	r.PressureAltitude, r.Oat, r.Airspeed, r.Torque = get("pressure_altitude"), get("oat"), get("airspeed"), get("torque")
	r.PropellerSpeed, r.Ng, r.Itt, r.FuelFlow = get("propeller_speed"), get("ng"), get("itt"), get("fuel_flow")
	r.OperatingHours = get("operating_hours")
}

// canonical fills the canonical values from the text as entered. Reasons: UNIT_UNKNOWN, UNIT_MISMATCH, VALUE_NOT_A_NUMBER.
func canonical(r *performancev1.Reading) error {
	v := &performancev1.ReadingValues{}
	for _, f := range []struct {
		field   string
		entered *commonv1.Entered
		into    *float64
		want    quantity.Dimension
	}{
		{"pressure_altitude", r.GetPressureAltitude(), &v.PressureAltitudeM, quantity.Length},
		{"oat", r.GetOat(), &v.OatC, quantity.Temperature},
		{"airspeed", r.GetAirspeed(), &v.AirspeedKt, quantity.Speed},
		{"torque", r.GetTorque(), &v.TorqueNm, quantity.Torque},
		{"propeller_speed", r.GetPropellerSpeed(), &v.PropellerSpeedRpm, quantity.Rotation},
		{"ng", r.GetNg(), &v.NgPct, quantity.Ratio},
		{"itt", r.GetItt(), &v.IttC, quantity.Temperature},
		{"fuel_flow", r.GetFuelFlow(), &v.FuelFlowKgH, quantity.MassFlow},
		{"operating_hours", r.GetOperatingHours(), &v.OperatingHours, quantity.Time},
	} {
		if f.entered == nil {
			continue
		}
		q, err := quantity.Parse(strings.Replace(f.entered.GetText(), ",", ".", 1), f.entered.GetUnitCode())
		if err != nil {
			return err
		}
		if q.Unit().Dimension != f.want {
			return fault.Invalid("reading."+f.field, "UNIT_MISMATCH", "%s is not read in %q. Use a unit of %s.", f.field, q.Unit().Code, f.want)
		}
		*f.into = q.Canonical()
	}
	v.OperatingHours /= 3600
	v.PowerKw = pointOf(v).Power()
	r.Values = v
	return nil
}

func pointOf(v *performancev1.ReadingValues) baseline.Point {
	return baseline.Point{
		Altitude: v.GetPressureAltitudeM(), OAT: v.GetOatC(), Airspeed: v.GetAirspeedKt(), Np: v.GetPropellerSpeedRpm(), Torque: v.GetTorqueNm(),
		ITT: v.GetIttC(), Ng: v.GetNgPct(), Fuel: v.GetFuelFlowKgH(),
	}
}

// CreateReading takes one reading in.
func (a *App) CreateReading(ctx context.Context, req *performancev1.CreateReadingRequest) (*performancev1.Reading, error) {
	profile, err := a.know(ctx, req.GetParent())
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		u := a.unit(ctx, tx)
		reading := req.GetReading()
		if reading.GetReadTime().AsTime().After(u.now) {
			return nil, fault.Invalid("reading.read_time", "READING_IN_FUTURE", "The reading's time has not come yet. Correct it.")
		}
		if err := canonical(reading); err != nil {
			return nil, err
		}
		id := req.GetReadingId()
		if id == "" {
			id = contentID(reading)
		}
		reading.Name, reading.State = profile.Name+"/readings/"+id, performancev1.Reading_ACCEPTED
		if err := store.Readings.Insert(ctx, tx, reading, u.now); err != nil {
			return nil, err
		}
		if err := u.analyse(ctx, profile.Name); err != nil {
			return nil, err
		}
		reading, err := store.Readings.Get(ctx, tx, reading.GetName())
		if err != nil {
			return nil, err
		}
		held := int32(0)
		if reading.GetState() == performancev1.Reading_HELD {
			held = 1
		}
		return reading, u.recorded(ctx, profile.Name, []string{reading.GetName()}, held)
	})
}

// ExcludeReading takes a reading out of the analysis; it stays visible.
func (a *App) ExcludeReading(ctx context.Context, req *performancev1.ExcludeReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		return a.unit(ctx, tx).decide(ctx, req.GetName(), performancev1.Reading_EXCLUDED, excludedReason, req.GetReason())
	})
}

// IncludeReading takes a held or excluded reading in after all.
func (a *App) IncludeReading(ctx context.Context, req *performancev1.IncludeReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		return a.unit(ctx, tx).decide(ctx, req.GetName(), performancev1.Reading_ACCEPTED, includedReason, req.GetReason())
	})
}

// A person's decision stands in the reading's reason.
const (
	excludedReason = "EXCLUDED_BY_PERSON"
	includedReason = "INCLUDED_BY_PERSON"
)

func (u unit) decide(ctx context.Context, name string, state performancev1.Reading_State, reason, text string) (*performancev1.Reading, error) {
	reading, err := store.Readings.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	reading.State, reading.StateReason, reading.StateText = state, reason, text
	if err := store.Readings.Save(ctx, u.Tx, reading, u.now); err != nil {
		return nil, err
	}
	engine, _, _ := strings.Cut(name, "/readings/")
	if err := u.analyse(ctx, engine); err != nil {
		return nil, err
	}
	if reason == excludedReason {
		if err := u.publish(ctx, "coldsection.engine.reading.excluded.v1", engine, &performancev1.ReadingExcluded{Engine: engine, Reading: name, Reason: text}); err != nil {
			return nil, err
		}
	}
	return store.Readings.Get(ctx, u.Tx, name)
}
