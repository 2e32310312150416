package app

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// seen is an engine as it was at one instant, as far as it was known at another. Now, everything that is recorded is known,
// also when the clock was set back since.
type seen struct {
	engine    *compliancev1.Engine
	counters  *compliancev1.Counters // nil when they are not known
	today     civil.Date             // the day at where the aircraft's days are counted
	rate      due.Rate
	plan      *due.Plan // what is going to be flown, for a forecast; else the rate every day
	past      bool
	at, known time.Time
	rules     []*compliancev1.Requirement // what was required, for the past
}

// see is an engine as it is now, from all that is known.
func (u unit) see(ctx context.Context, engine *compliancev1.Engine) (seen, error) {
	s := seen{engine: engine, counters: engine.GetCounters(), today: civil.Of(u.now), at: u.now, known: allKnown}
	if engine.GetAircraft() == "" {
		return s, nil
	}
	plane, err := store.Aircraft.Get(ctx, u.Tx, engine.GetAircraft())
	if err != nil {
		return s, err
	}
	err = u.place(&s, plane)
	return s, err
}

// place counts the days where the aircraft does, and takes its flying rate.
func (u unit) place(s *seen, plane *compliancev1.Aircraft) error {
	zone, err := u.zone(plane.GetTimeZone())
	if err != nil {
		return err
	}
	s.today = civil.Of(s.at.In(zone))
	s.rate = due.Rate{HoursPerDay: plane.GetFlyingRate().GetHoursPerDay(), CyclesPerDay: plane.GetFlyingRate().GetCyclesPerDay()}
	return nil
}

// times are two instants of the past: what was true at one, as far as it was known at the other.
type times struct{ at, known time.Time }

// seeThen is an engine as it was then. Reason: NOT_KNOWN_THEN.
func (u unit) seeThen(ctx context.Context, name string, t times, rules []*compliancev1.Requirement) (seen, error) {
	s := seen{engine: &compliancev1.Engine{}, at: t.at, known: t.known, past: true, rules: rules, today: civil.Of(t.at)}
	current, err := store.Engines.Get(ctx, u.Tx, name)
	if err != nil {
		return s, err
	}
	if err := u.asKnown(ctx, s.engine, name, t); err != nil {
		return s, err
	}
	s.engine.Aircraft, s.engine.Position = "", ""
	host, err := u.hostThen(ctx, name, s)
	if err != nil {
		return s, err
	}
	if host != nil {
		s.engine.Aircraft, s.engine.Position = host.GetHost(), host.GetPosition()
		plane := &compliancev1.Aircraft{}
		if err := u.asKnown(ctx, plane, host.GetHost(), t); err != nil {
			return s, err
		}
		if err := u.place(&s, plane); err != nil {
			return s, err
		}
	}
	s.counters, err = u.countersAt(ctx, current, s.today, t.known)
	s.engine.Counters = s.counters
	return s, err
}

// asKnown reads what a resource said at the instant, as far as it was known; what was recorded only afterwards, but was known, says
// what it was first recorded as. Reason: NOT_KNOWN_THEN.
func (u unit) asKnown(ctx context.Context, into proto.Message, name string, t times) error {
	first := t.at
	if t.known.Before(first) {
		first = t.known
	}
	found, err := store.VersionKnown(ctx, u.Tx, name, first, into)
	if err != nil || found {
		return err
	}
	found, err = store.FirstVersionKnown(ctx, u.Tx, name, t.known, into)
	if err == nil && !found {
		return fault.Precondition("NOT_KNOWN_THEN", "Nothing was recorded of %s by %s. Ask for a later known_at_time.", name, t.known.UTC().Format(time.RFC3339))
	}
	return err
}

// hostThen is where something was fitted then, nil when nowhere.
func (u unit) hostThen(ctx context.Context, item string, s seen) (*compliancev1.Fitting, error) {
	all, err := store.Fittings.Where(ctx, u.Tx, "item = $1 ORDER BY install_date DESC, name DESC", item)
	if err != nil {
		return nil, err
	}
	for _, f := range all {
		if thereThen(f, s.today, s.known) {
			return f, nil
		}
	}
	return nil, nil //nolint:nilnil // nowhere
}

// thereThen reports whether a fitting held at the end of a day, as far as it was known at an instant.
func thereThen(f *compliancev1.Fitting, day civil.Date, known time.Time) bool {
	if known.Before(f.GetCreateTime().AsTime()) || day.Before(dateOf(f.GetInstallDate())) {
		return false
	}
	removed := f.GetRemoveTime() != nil && !known.Before(f.GetRemoveTime().AsTime())
	return !removed || day.Before(dateOf(f.GetRemoveDate()))
}

// required are the requirements as they were known.
func (u unit) required(ctx context.Context, known time.Time) ([]*compliancev1.Requirement, error) {
	names, err := store.NamesKnown(ctx, u.Tx, "requirements", known)
	if err != nil {
		return nil, err
	}
	var all []*compliancev1.Requirement
	for _, name := range names {
		r := &compliancev1.Requirement{}
		if _, err := store.VersionKnown(ctx, u.Tx, name, known, r); err != nil {
			return nil, err
		}
		if !known.Before(r.GetCreateTime().AsTime()) {
			all = append(all, r)
		}
	}
	return all, nil
}

// requirement is a requirement by name, nil when it is not known.
func (u unit) requirement(ctx context.Context, name string, s seen) (*compliancev1.Requirement, error) {
	if s.past {
		for _, r := range s.rules {
			if r.GetName() == name {
				return r, nil
			}
		}
		return nil, nil //nolint:nilnil // not known
	}
	r, err := store.Requirements.Get(ctx, u.Tx, name)
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, nil //nolint:nilnil // not known
	}
	return r, err
}

// enders are the requirements that end one when they are done.
func (u unit) enders(ctx context.Context, name string, s seen) ([]*compliancev1.Requirement, error) {
	if s.past {
		return slices.DeleteFunc(slices.Clone(s.rules), func(r *compliancev1.Requirement) bool { return r.GetTerminates() != name }), nil
	}
	return store.Requirements.Where(ctx, u.Tx, "terminates = $1 ORDER BY name", name)
}

// past refuses instants that have not come yet.
func (u unit) past(at, known time.Time) error {
	for field, t := range map[string]time.Time{"as_of_time": at, "known_at_time": known} {
		if u.now.Before(t) {
			return fault.Invalid(field, "TIME_IN_FUTURE", "%s is %s, which has not come yet. Give an instant of the past, or leave it out.", field,
				storage.FromMicros(storage.Micros(t)).Format(time.RFC3339))
		}
	}
	return nil
}
