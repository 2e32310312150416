package app

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// seen is a subject of requirements as it was at one instant, as far as it was known at another. Now, everything that is recorded is
// known, also when the clock was set back since.
type seen struct {
	subject   thing
	engine    *compliancev1.Engine   // the subject, or the engine that a component is in; nil of an aircraft and of a part in stores
	plane     *compliancev1.Aircraft // the subject, or the aircraft that it is on; nil when there is none
	counters  *compliancev1.Counters // nil when they are not known
	read      civil.Date             // the last day that they speak of; zero when it is not known
	today     civil.Date             // the day at where the aircraft's days are counted
	zone      *time.Location         // where that is; nil without an aircraft
	rate      due.Rate
	plan      *due.Plan // what is going to be flown, by the plan that is kept of the aircraft or a scenario; nil is the rate every day
	planned   int32     // the version of that plan; 0 without
	past      bool
	day       civil.Date // the day, where that was asked for
	at, known time.Time
	rules     []*compliancev1.Requirement // what was required
	records   records
	book      *book          // what is looked up of that; nil works it out
	kept      *points.Points // what is kept of it, where an item that comes out as it is kept need not be told; nil else
	date      *date.Date     // today, where many items say it; nil makes one for each
	slate     *due.Slate     // where what is kept is worked out; set with kept
	was       *points.Point  // what is kept of the item that is weighed, nil for nothing
}

// records are what people signed about a subject, read at once.
type records struct {
	done       map[string][]*store.Record // by requirement, oldest first
	decisions  map[string]*compliancev1.ApplicabilityDecision
	extensions map[store.Extended]*compliancev1.Extension
	lastEnded  time.Time // when flying was last taken back from it
}

// withRules reads what is required once, for all subjects that are looked at then.
func (u unit) withRules(ctx context.Context) (_ unit, err error) {
	if u.rules == nil {
		u.rules, err = store.Requirements.Where(ctx, u.Tx, "name >= '' ORDER BY name")
		u.book = bookOf(u.rules)
	}
	return u, err
}

// see is a subject as it is now, from all that is known.
func (u unit) see(ctx context.Context, t thing) (seen, error) {
	u, err := u.withRules(ctx)
	if err != nil {
		return seen{}, err
	}
	s := u.bare(t)
	if err := u.surround(ctx, &s); err != nil {
		return s, err
	}
	s.records, err = u.recordsOf(ctx, s)
	return s, err
}

// bare is a subject as it is now, without what it is on and what was signed about it.
func (u unit) bare(t thing) seen {
	return seen{subject: t, counters: t.GetCounters(), read: dateOf(t.GetCountersDate()), today: civil.Of(u.now), at: u.now, known: allKnown, rules: u.rules, book: u.book}
}

// surround finds the engine and the aircraft that a subject is on now.
func (u unit) surround(ctx context.Context, s *seen) (err error) {
	ctx = unlimited(ctx)
	switch t := s.subject.(type) {
	case *compliancev1.Aircraft:
		s.plane = t
	case *compliancev1.Engine:
		s.engine = t
	case *compliancev1.Component:
		if s.engine, err = u.hostEngine(ctx, t.GetHost()); err != nil {
			return err
		}
	}
	if aircraft := s.engine.GetAircraft(); aircraft != "" {
		if s.plane, err = u.aircraft(ctx, aircraft); err != nil {
			return err
		}
	}
	if err := u.place(s); err != nil || s.plane == nil {
		return err
	}
	s.plan, s.planned, err = u.planOf(ctx, s.plane.GetName(), s.rate)
	return err
}

// planOf is what an aircraft is going to fly by the plan that is kept of it, with its version; nil when none is, or it changes nothing of the rate.
func (u unit) planOf(ctx context.Context, plane string, rate due.Rate) (plan *due.Plan, version int32, err error) {
	kept, err := u.flyingPlan(ctx, plane)
	if err != nil || len(kept.GetSeasons()) == 0 && len(kept.GetPeriods()) == 0 {
		return nil, 0, err
	}
	periods, err := periodsOf("flying_plan.periods", kept.GetPeriods())
	return &due.Plan{Rate: rate, Seasons: seasonsOf(kept.GetSeasons()), Periods: periods}, kept.GetVersion(), err
}

// recordsOf reads what people signed about a subject.
func (u unit) recordsOf(ctx context.Context, s seen) (r records, err error) {
	name := s.subject.GetName()
	if l := u.loaded; l.has(name) {
		done, err := l.done[name].Read()
		return records{done: doneOf(done, s), decisions: l.decided[name], extensions: l.granted[name], lastEnded: l.ended[name]}, err
	}
	if r.done, err = u.doneOn(ctx, name, s); err != nil {
		return r, err
	}
	if r.decisions, err = store.DecisionsKnown(ctx, u.Tx, name, s.known); err != nil {
		return r, err
	}
	if r.extensions, err = store.ExtensionsOn(ctx, u.Tx, name); err != nil {
		return r, err
	}
	r.lastEnded, err = store.LastEnded(ctx, u.Tx, name)
	return r, err
}

// place counts the days where the aircraft does, if there is one, and takes its flying rate.
func (u unit) place(s *seen) error {
	if s.plane == nil {
		return nil
	}
	zone, err := u.zone(s.plane.GetTimeZone())
	if err != nil {
		return err
	}
	if s.zone = zone; s.day.IsZero() {
		s.today = civil.Of(s.at.In(zone))
	}
	s.rate = due.Rate{HoursPerDay: s.plane.GetFlyingRate().GetHoursPerDay(), CyclesPerDay: s.plane.GetFlyingRate().GetCyclesPerDay()}
	return nil
}

// times are two instants of the past: what was true at one, as far as it was known at the other.
type times struct {
	at, known time.Time
	day       civil.Date // the civil day that is asked about, where that is not the one of the instant
}

// seeThen is a subject as it was then. Reason: NOT_KNOWN_THEN.
func (u unit) seeThen(ctx context.Context, name string, t times, rules []*compliancev1.Requirement) (seen, error) {
	s := seen{at: t.at, known: t.known, past: true, rules: rules, today: civil.Of(t.at), day: t.day}
	if !t.day.IsZero() {
		s.today = t.day
	}
	current, err := u.read(ctx, name)
	if err != nil {
		return s, err
	}
	s.subject = blank(current)
	if err := u.asKnown(ctx, s.subject, name, t); err != nil {
		return s, err
	}
	if current, err = u.lifeKnown(ctx, current, s); err != nil {
		return s, err
	}
	if s.subject, err = u.lifeKnown(ctx, s.subject, s); err != nil {
		return s, err
	}
	if err := u.surroundThen(ctx, &s, t); err != nil {
		return s, err
	}
	if s.counters, err = u.countersAt(ctx, current, s.today, t.known); err != nil {
		return s, err
	}
	if s.read, err = u.readAt(ctx, current, s.today, t.known); err != nil {
		return s, err
	}
	s.records, err = u.recordsOf(ctx, s)
	return s, err
}

// surroundThen finds the engine and the aircraft that a subject was on then.
func (u unit) surroundThen(ctx context.Context, s *seen, t times) error {
	ctx = unlimited(ctx)
	for name := s.subject.GetName(); ; {
		switch kindOf(name) {
		case compliancev1.Applicability_AIRCRAFT:
			s.plane = &compliancev1.Aircraft{}
			if err := u.asKnown(ctx, s.plane, name, t); err != nil {
				return err
			}
			return u.place(s)
		case compliancev1.Applicability_ENGINES:
			s.engine = &compliancev1.Engine{}
			if err := u.asKnown(ctx, s.engine, name, t); err != nil {
				return err
			}
			s.engine.Aircraft, s.engine.Position = "", ""
		case compliancev1.Applicability_COMPONENTS, compliancev1.Applicability_SUBJECT_KIND_UNSPECIFIED:
		}
		host, err := u.hostThen(ctx, name, *s)
		if err != nil || host == nil {
			return err
		}
		if s.engine.GetName() == name {
			s.engine.Aircraft, s.engine.Position = host.GetHost(), host.GetPosition()
		}
		name = host.GetHost()
	}
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
	all, err := u.fittingsOf(ctx, item)
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

// fittingsOf is where something was fitted ever, newest first.
func (u unit) fittingsOf(ctx context.Context, item string) ([]*compliancev1.Fitting, error) {
	if u.loaded.has(item) {
		return u.loaded.fitted[item], nil
	}
	return store.Fittings.Where(ctx, u.Tx, "item = $1 ORDER BY install_date DESC, name DESC", item)
}

// thereThen reports whether a fitting held at the end of a day, as far as it was known at an instant.
func thereThen(f *compliancev1.Fitting, day civil.Date, known time.Time) bool {
	if known.Before(f.GetCreateTime().AsTime()) || day.Before(dateOf(f.GetInstallDate())) {
		return false
	}
	if f.GetCorrectTime() != nil && !known.Before(f.GetCorrectTime().AsTime()) {
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
func (s seen) requirement(name string) *compliancev1.Requirement {
	for _, r := range s.rules {
		if r.GetName() == name {
			return r
		}
	}
	return nil
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
