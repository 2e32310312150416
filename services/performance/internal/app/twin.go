package app

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

const (
	twinDays = 90               // before and after a change that are compared
	together = 45 * time.Minute // between readings of both engines that count as one flight; common practice, no source
)

// Fittings asks compliance where an engine is and was fitted. It runs outside any transaction.
func (a *App) Fittings(ctx context.Context, engine string) ([]store.Fitting, error) {
	const most = 1000
	found, err := a.Engines.ListFittings(ctx, &compliancev1.ListFittingsRequest{Filter: fmt.Sprintf("item = %q", engine), PageSize: most})
	var out []store.Fitting
	for _, f := range found.GetFittings() {
		out = append(out, store.Fitting{Aircraft: f.GetHost(), FirstDay: dayText(f.GetInstallDate()), LastDay: dayText(f.GetRemoveDate())})
	}
	return out, err
}

func dayText(d *date.Date) string {
	if d == nil {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// fit keeps where an engine was fitted when that was never asked; while compliance is away it is asked again the next time.
func (a *App) fit(ctx context.Context, engine string) error {
	var known bool
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		known, err = store.Fitted(ctx, tx, engine)
		return err
	})
	if err != nil || known {
		return err
	}
	fittings, err := a.Fittings(ctx, engine)
	if err != nil {
		return nil //nolint:nilerr // a reading is taken without compliance, and compared with no other engine until it is back
	}
	return a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return store.SaveFittings(ctx, tx, engine, fittings) })
}

// twins weighs shifts again with the other engine of the aircraft, as far as there is one.
func (u unit) twins(ctx context.Context, engine string, rules analysis.Rules, shifts []analysis.Shift) ([]analysis.Shift, error) {
	out := slices.Clone(shifts)
	for i, s := range out {
		beside, ok, err := store.TwinOf(ctx, u.Tx, engine, s.Onset)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue // it was alone then, and need not be so at the next change
		}
		pairs, err := u.pairs(ctx, engine, beside, s.Onset)
		if err != nil {
			return nil, err
		}
		if twin, ok := analysis.CompareTwin(beside.Engine, pairs, s.Onset, rules); ok {
			out[i] = twin.Weigh(s)
		}
	}
	return out, nil
}

// pairs are the flights of both engines about a time, between what was done to either of them and while both were on the
// aircraft.
func (u unit) pairs(ctx context.Context, engine string, beside store.Beside, about time.Time) ([]analysis.Pair, error) {
	from, to := about.AddDate(0, 0, -twinDays), about.AddDate(0, 0, twinDays)
	for _, e := range []string{engine, beside.Engine} {
		events, err := store.StandingEvents(ctx, u.Tx, e)
		if err != nil {
			return nil, err
		}
		from, to = undisturbed(events, from, about, to)
	}
	own, err := u.deviations(ctx, engine, from, about, to)
	if err != nil {
		return nil, err
	}
	other, err := u.deviations(ctx, beside.Engine, from, about, to)
	if err != nil {
		return nil, err
	}
	return paired(own, other, beside), nil
}

// undisturbed narrows a time to between the events about its middle.
func undisturbed(events []*performancev1.EngineEvent, from, about, to time.Time) (begin, end time.Time) {
	for _, e := range events {
		switch at := e.GetEventTime().AsTime(); {
		case !breaks[e.GetKind()]:
		case at.Before(about) && at.After(from):
			from = at
		case !at.Before(about) && at.Before(to):
			to = at
		}
	}
	return from, to
}

// mostBeside is how many of an engine's readings on each side of a change are looked at, so that the cost of a comparison does not
// grow with how often an engine is read; ten times the pairs that are used.
const mostBeside = 400

// deviations are an engine's accepted readings between two times, in order: of many those next to a time between.
func (u unit) deviations(ctx context.Context, engine string, from, about, to time.Time) ([]*performancev1.Reading, error) {
	side := func(from, to time.Time, order string) ([]*performancev1.Reading, error) {
		condition, args := store.Under(engine + "/readings")
		return store.Readings.Where(ctx, u.Tx, fmt.Sprintf("%s AND state = 'ACCEPTED' AND read_time >= $3 AND read_time < $4 ORDER BY read_time %s, name %s LIMIT %d",
			condition, order, order, mostBeside), append(args, storage.Micros(from), storage.Micros(to))...)
	}
	before, err := side(from, about, "DESC")
	if err != nil {
		return nil, err
	}
	slices.Reverse(before)
	after, err := side(about, to, "ASC")
	return append(before, after...), err
}

// paired are the readings of both engines on one flight while both were on the aircraft.
func paired(own, other []*performancev1.Reading, beside store.Beside) []analysis.Pair {
	var pairs []analysis.Pair
	next := 0
	for _, r := range own {
		at := r.GetReadTime().AsTime()
		if day := at.Format(time.DateOnly); day < beside.FirstDay || beside.LastDay != "" && day > beside.LastDay {
			continue
		}
		for next < len(other) && other[next].GetReadTime().AsTime().Before(at.Add(-together)) {
			next++
		}
		if next == len(other) || other[next].GetReadTime().AsTime().After(at.Add(together)) {
			continue
		}
		pairs = append(pairs, analysis.Pair{At: at, Own: deviationOf(r), Twin: deviationOf(other[next])})
		next++
	}
	return pairs
}

func deviationOf(r *performancev1.Reading) baseline.Values {
	d := r.GetDeviation()
	return baseline.Values{ITT: d.GetIttC(), Ng: d.GetNgPct(), Fuel: d.GetFuelFlowPct()}
}
