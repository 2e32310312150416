package app

import (
	"context"
	"slices"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// moment is what due items are worked out for: what was true on a civil day, as far as it was recorded by an instant.
type moment struct {
	today    civil.Date
	known    time.Time
	counters *compliancev1.Counters
	rate     due.Rate
}

// work computes a due item for today, from everything that is known.
func (u unit) work(ctx context.Context, engine *compliancev1.Engine, r *compliancev1.Requirement) (*compliancev1.DueItem, error) {
	zone, rate, err := u.place(ctx, engine)
	if err != nil {
		return nil, err
	}
	return u.workAt(ctx, engine, r, moment{today: civil.Of(u.now.In(zone)), known: u.now, counters: engine.GetCounters(), rate: rateIn(rate)})
}

// place is the zone that the engine's days are counted in and the rate that its aircraft flies at; off wing it is UTC and no
// rate.
func (u unit) place(ctx context.Context, engine *compliancev1.Engine) (*time.Location, *compliancev1.FlyingRate, error) {
	if engine.GetAircraft() == "" {
		return time.UTC, nil, nil
	}
	plane, err := store.Aircraft.Get(ctx, u.Tx, engine.GetAircraft())
	if err != nil {
		return nil, nil, err
	}
	zone, err := u.zone(plane.GetTimeZone())
	return zone, plane.GetFlyingRate(), err
}

func rateIn(r *compliancev1.FlyingRate) due.Rate {
	return due.Rate{SecondsPerDay: r.GetHoursPerDay() * 3600, CyclesPerDay: r.GetCyclesPerDay()}
}

func (a *App) rateOf(ctx context.Context, engineName string) (rate *compliancev1.FlyingRate, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		engine, err := store.Engines.Get(ctx, tx, engineName)
		if err != nil {
			return err
		}
		_, rate, err = a.unit(ctx, tx).place(ctx, engine)
		return err
	})
	if rate != nil && rate.GetBasis() == "" {
		rate.Basis = "stated for the aircraft"
	}
	return rate, err
}

// workAt computes a due item for a moment.
func (u unit) workAt(ctx context.Context, engine *compliancev1.Engine, r *compliancev1.Requirement, at moment) (*compliancev1.DueItem, error) {
	item := &compliancev1.DueItem{
		Name: dueName(r.GetName(), engine.GetName()), Requirement: r.GetName(), RequirementCode: r.GetCode(), RequirementTitle: r.GetDisplayName(),
		Kind: r.GetKind(), Subject: engine.GetName(), SubjectLabel: engine.GetSerial(), AsOfDate: protoDate(at.today),
	}
	done, err := u.doneBy(ctx, engine.GetName(), r.GetName(), at)
	if err != nil {
		return nil, err
	}
	if len(done) > 0 {
		last := done[len(done)-1]
		item.LastDoneDate, item.LastDoneCounters, item.LastAccomplishment = last.GetDoneDate(), last.GetCounters(), last.GetName()
	}
	if item.Extension, err = store.ExtensionKnown(ctx, u.Tx, item.GetName(), item.GetLastAccomplishment(), at.known); err != nil {
		return nil, err
	}
	band, reason, err := u.ended(ctx, engine, r, at)
	if err != nil || band != 0 {
		setBand(item, band, reason)
		return item, err
	}
	base, tree, reason := start(r, done)
	if reason != "" {
		setBand(item, compliancev1.DueItem_NO_DATA, reason)
		return item, nil
	}
	if len(done) > 0 && tree.Empty() {
		setBand(item, compliancev1.DueItem_EXEMPT, "Done once and for all")
		return item, nil
	}
	fill(item, r, tree, base, due.Now{Today: at.today, Counters: countersOf(at.counters), Rate: at.rate})
	return item, nil
}

func setBand(item *compliancev1.DueItem, band compliancev1.DueItem_Band, reason string) {
	item.Band, item.BandReason, item.Explanation = band, reason, reason+"."
}

// doneBy lists when a requirement was done on a subject, oldest first: what was recorded by then and not corrected by then.
func (u unit) doneBy(ctx context.Context, subject, requirement string, at moment) ([]*compliancev1.Accomplishment, error) {
	done, err := store.Accomplishments.Where(ctx, u.Tx, "subject = $1 AND name >= $2 AND name < $3 AND create_time <= $4 ORDER BY done_date, create_time, name",
		subject, requirement+"/", requirement+"0", storage.Micros(at.known))
	if err != nil {
		return nil, err
	}
	corrected := map[string]bool{}
	for _, a := range done {
		corrected[a.GetSupersedes()] = true
	}
	return slices.DeleteFunc(done, func(a *compliancev1.Accomplishment) bool {
		return corrected[a.GetName()] || at.today.Before(dateOf(a.GetDoneDate()))
	}), nil
}

// ended says why nothing has to be done now: superseded from the day that the successor takes effect, ended by a terminating
// action that was done, not applicable; or why that can't be told. Band 0 means that it must be worked out.
func (u unit) ended(ctx context.Context, engine *compliancev1.Engine, r *compliancev1.Requirement, at moment) (compliancev1.DueItem_Band, string, error) {
	switch answer, reason := applies(r, engine); answer {
	case apply.No:
		return compliancev1.DueItem_EXEMPT, "Not applicable: " + reason, nil
	case apply.Unknown:
		return compliancev1.DueItem_NO_DATA, "Whether it applies can't be told: " + reason, nil
	case apply.Yes:
	}
	if r.GetSuccessor() != "" {
		next, err := store.Requirements.Get(ctx, u.Tx, r.GetSuccessor())
		if err != nil {
			return 0, "", err
		}
		if !at.today.Before(dateOf(next.GetEffectiveDate())) {
			return compliancev1.DueItem_EXEMPT, "Superseded by " + r.GetSuccessor(), nil
		}
	}
	enders, err := store.Requirements.Where(ctx, u.Tx, "terminates = $1 ORDER BY name", r.GetName())
	if err != nil {
		return 0, "", err
	}
	for _, ender := range enders {
		done, err := u.doneBy(ctx, engine.GetName(), ender.GetName(), at)
		if err != nil {
			return 0, "", err
		}
		if len(done) > 0 {
			return compliancev1.DueItem_EXEMPT, "Terminated by " + done[0].GetName() + " on " + dateOf(done[0].GetDoneDate()).String(), nil
		}
	}
	return 0, "", nil
}

// start is what the interval counts from, with the limits that count; reason says what is missing for it.
func start(r *compliancev1.Requirement, done []*compliancev1.Accomplishment) (base due.Base, tree due.Tree, reason string) {
	if len(done) > 0 {
		tree = treeOf(r.GetRepeat())
		return baseOf(r, done, tree), tree, ""
	}
	if r.GetInitial() == nil {
		return base, tree, "No record says when it was last done; it does not count as compliant"
	}
	base.Date, tree = dateOf(r.GetEffectiveDate()), treeOf(r.GetInitial())
	switch event := r.GetStartEvent(); {
	case event == compliancev1.Requirement_OVERHAUL_DONE, event == compliancev1.Requirement_INSTALLATION:
		return base, tree, "It counts from " + event.String() + ", of which there is no record here; enter when it was last done"
	case event == compliancev1.Requirement_EFFECTIVE_DATE && tree.Counts():
		return base, tree, "It counts from the counters on the effective date, which are not recorded here; enter when it was last done"
	default:
		return base, tree, ""
	}
}

func fill(item *compliancev1.DueItem, r *compliancev1.Requirement, tree due.Tree, base due.Base, state due.Now) {
	if base.Date.IsZero() {
		setBand(item, compliancev1.DueItem_NO_DATA, "The requirement has no date to count from")
		return
	}
	result := tree.Compute(base, state, thresholdOf(r.GetNear()))
	if e := item.GetExtension(); e != nil {
		result = tree.Extended(extensionOf(e), base, state, thresholdOf(r.GetNear()))
	}
	if result.Driving < 0 {
		setBand(item, compliancev1.DueItem_NO_DATA, "The requirement has no limit")
		return
	}
	item.Band = compliancev1.DueItem_Band(compliancev1.DueItem_Band_value[string(result.Band)])
	item.DueDate, item.Explanation = protoDate(result.Date), result.Explain()
	item.DrivingUnit = result.Left[result.Driving].Limit.Unit.Driver()
	for i, l := range result.Left {
		item.Remaining = append(item.Remaining, &compliancev1.Remaining{
			Unit: compliancev1.IntervalLimit_Unit(l.Limit.Unit), DueCounter: l.At, LimitDate: protoDate(l.Date), Left: l.Left,
			ProjectedDate: protoDate(l.Projected), Driving: i == result.Driving,
		})
	}
}

func extensionOf(e *compliancev1.Extension) due.Extension {
	return due.Extension{Seconds: e.GetOperatingSeconds(), Cycles: e.GetCycles(), Days: int64(e.GetDays()), HardStop: dateOf(e.GetHardStopDate())}
}
