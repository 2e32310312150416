package app

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// previewed is how many readings a preview shows.
const previewed = 20

// ImportReadings reads a table. Every bad row is reported; every good one is taken in one transaction.
func (a *App) ImportReadings(ctx context.Context, req *performancev1.ImportReadingsRequest) (*performancev1.ImportReadingsResponse, error) {
	table, err := readTable(req)
	if err != nil {
		return nil, err
	}
	profiles, err := a.profilesOf(ctx, table.Records)
	if err != nil {
		return nil, err
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.ImportReadingsResponse, error) {
		i := &importing{unit: a.unit(ctx, tx), source: req.GetSource(), resp: &performancev1.ImportReadingsResponse{}, lines: map[string]int32{}, taken: map[string][]*performancev1.Reading{}}
		if req.GetValidateOnly() {
			i.preview = []*performancev1.Reading{}
		}
		bad := i.reportTable(table)
		for _, row := range table.Records {
			if err := i.take(ctx, row, profiles[row.Get("engine_serial").Text]); err != nil {
				return nil, err
			}
		}
		i.resp.RowsTotal = int32(len(table.Records) + bad)
		return i.finish(ctx)
	})
}

// profilesOf looks the engines of some rows up; one that nobody knows has an empty profile.
func (a *App) profilesOf(ctx context.Context, rows []sheet.Record) (map[string]store.Profile, error) {
	profiles := map[string]store.Profile{}
	for _, row := range rows {
		serial := row.Get("engine_serial").Text
		if _, known := profiles[serial]; known {
			continue
		}
		p, err := a.know(ctx, serial)
		if err != nil && !fault.HasReason(err, "ENGINE_UNKNOWN") {
			return nil, err
		}
		profiles[serial] = p
	}
	return profiles, nil
}

// importing is one import under way.
type importing struct {
	unit

	source  string
	resp    *performancev1.ImportReadingsResponse
	lines   map[string]int32                    // of each new reading
	taken   map[string][]*performancev1.Reading // new readings by engine
	preview []*performancev1.Reading            // the first new readings; nil when nobody asks
	step    *operations.Step                    // of a long import; nil in a call
}

// reportTable says how the columns were understood and which rows are bad; it counts these.
func (i *importing) reportTable(table *sheet.Bound) (bad int) {
	describe(i.resp, table)
	lines := map[int]bool{}
	for _, p := range table.Problems {
		lines[p.Line] = true
		i.refuse(p.Line, p.Column, p.Reason, p.Text)
	}
	return len(lines)
}

// describe says how the columns were understood.
func describe(resp *performancev1.ImportReadingsResponse, table *sheet.Bound) {
	for _, c := range table.Columns {
		resp.Columns = append(resp.Columns, &performancev1.ColumnRead{Heading: c.Heading, Field: c.Name, UnitCode: c.Unit})
	}
	for _, w := range table.Warnings {
		resp.Warnings = append(resp.Warnings, &performancev1.RowProblem{Line: int32(w.Line), Column: w.Column, Reason: w.Reason, Text: w.Text})
	}
}

func (i *importing) refuse(line int, column, reason, text string) {
	if i.step != nil {
		i.step.Refuse(line, column, reason, text)
	}
	i.resp.Problems = append(i.resp.Problems, &performancev1.RowProblem{Line: int32(line), Column: column, Reason: reason, Text: text, Refused: true})
}

func (i *importing) take(ctx context.Context, row sheet.Record, p store.Profile) error {
	if p.Name == "" {
		i.refuse(row.Line, "engine_serial", "ENGINE_UNKNOWN", fmt.Sprintf("Compliance knows no engine with the serial number %.40q. Add it there, or correct the number.",
			row.Get("engine_serial").Text))
		return nil
	}
	reading := readingOf(row, i.source)
	if column, text := tooLong(reading); column != "" {
		i.refuse(row.Line, column, "VALUE_TOO_LONG", text)
		return nil
	}
	known, err := i.enter(ctx, reading, p)
	if f, refused := fault.As(err); refused && f.Category == fault.InvalidArgument {
		i.refuse(row.Line, i.columnOf(f), f.Reason, f.Message)
		return nil
	}
	switch {
	case err != nil:
		return err
	case known:
		i.resp.RowsKnown++
		return nil
	}
	if i.resp.RowsTaken++; i.preview != nil && len(i.preview) < previewed {
		i.preview = append(i.preview, reading)
	}
	i.lines[reading.GetName()] = int32(row.Line)
	i.taken[p.Name] = append(i.taken[p.Name], reading)
	return nil
}

// columnOf is the heading of the column that a refusal is about; "" when it is about none.
func (i *importing) columnOf(f *fault.Error) string {
	for _, v := range f.Violations {
		field := strings.Replace(strings.TrimPrefix(v.Field, "reading."), "read_time", "time_utc", 1)
		for _, c := range i.resp.GetColumns() {
			if c.GetField() == field {
				return c.GetHeading()
			}
		}
	}
	return ""
}

// enter keeps a reading under its own id; known is true for one that is there already. Reasons: READING_IN_FUTURE,
// SOURCE_ID_REUSED, UNIT_UNKNOWN, UNIT_MISMATCH, VALUE_NOT_A_NUMBER.
func (u unit) enter(ctx context.Context, reading *performancev1.Reading, p store.Profile) (known bool, err error) {
	if err := canonical(reading); err != nil {
		return false, err
	}
	return u.keep(ctx, reading, p)
}

// keep is enter for a reading that has its canonical values.
func (u unit) keep(ctx context.Context, reading *performancev1.Reading, p store.Profile) (known bool, err error) {
	if err := name(reading, p, u.now); err != nil {
		return false, err
	}
	err = store.Readings.Insert(ctx, u.Tx, reading, u.now)
	if !fault.HasReason(err, "ALREADY_EXISTS") {
		return false, err
	}
	return u.knows(ctx, reading)
}

// firstReading is the earliest time that a reading may have: what comes from before is of a clock that was not set, which counts from 1970 or
// from the year 1.
var firstReading = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// timely refuses a reading whose time can't be. Reasons: READING_IN_FUTURE, READING_TOO_OLD.
func timely(reading *performancev1.Reading, now time.Time) error {
	switch at := reading.GetReadTime().AsTime(); {
	case at.After(now):
		return fault.Invalid("reading.read_time", "READING_IN_FUTURE", "The reading's time has not come yet. Correct it.")
	case at.Before(firstReading):
		return fault.Invalid("reading.read_time", "READING_TOO_OLD", "The reading's time is in the year %d, before 1980: the clock that gave it was not set. Correct it.", at.Year())
	default:
		return nil
	}
}

// name gives a new reading its name. Reasons: READING_IN_FUTURE, READING_TOO_OLD.
func name(reading *performancev1.Reading, p store.Profile, now time.Time) error {
	if err := timely(reading, now); err != nil {
		return err
	}
	reading.Name, reading.State = nameOf(p, reading), performancev1.Reading_ACCEPTED
	return nil
}

// knows compares a reading with the one that has its name. Reason: SOURCE_ID_REUSED.
func (u unit) knows(ctx context.Context, reading *performancev1.Reading) (known bool, err error) {
	if reading.GetSourceId() == "" {
		return true, nil
	}
	there, err := store.Readings.Get(ctx, u.Tx, reading.GetName())
	if err == nil && !alike(there, reading) {
		err = fault.Invalid("reading.source_id", "SOURCE_ID_REUSED", "The source gave the id %.60q to another reading before, %s. Give a new id, or correct that reading.",
			reading.GetSourceId(), there.GetName())
	}
	return err == nil, err
}

func (i *importing) finish(ctx context.Context) (*performancev1.ImportReadingsResponse, error) {
	stand := map[string]*performancev1.Reading{}
	for _, engine := range slices.Sorted(maps.Keys(i.taken)) {
		i.resp.Engines = append(i.resp.Engines, engine)
		now, err := i.extend(ctx, engine, i.taken[engine])
		if err != nil {
			return nil, err
		}
		var c came
		for _, r := range i.taken[engine] {
			stand[r.GetName()] = now[r.GetName()]
			c.add(now[r.GetName()])
			i.report(now[r.GetName()])
		}
		if err := i.recorded(ctx, engine, c); err != nil {
			return nil, err
		}
	}
	for _, r := range i.preview {
		reading := stand[r.GetName()]
		reading.Name, reading.Etag, reading.CreateTime = "", "", nil // it isn't kept
		i.resp.Readings = append(i.resp.Readings, reading)
	}
	sortProblems(i.resp)
	return i.resp, nil
}

func sortProblems(resp *performancev1.ImportReadingsResponse) {
	slices.SortStableFunc(resp.GetProblems(), func(a, b *performancev1.RowProblem) int { return int(a.GetLine() - b.GetLine()) })
}

// report names a new reading that the analysis did not accept.
func (i *importing) report(r *performancev1.Reading) {
	if r.GetState() == performancev1.Reading_ACCEPTED {
		return
	}
	i.resp.RowsHeld += heldCount(r)
	i.resp.Problems = append(i.resp.Problems, &performancev1.RowProblem{Line: i.lines[r.GetName()], Reason: r.GetStateReason(), Text: r.GetStateText()})
}
