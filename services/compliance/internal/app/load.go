package app

import (
	"context"
	"slices"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
)

// loaded is what was read of many subjects at once, table by table. What it holds is not read again, so it is good for as long as nobody
// writes: for one look, or for one working out.
type loaded struct {
	things  map[string]thing
	plans   map[string]*compliancev1.FlyingPlan // of the aircraft among them
	records map[string]bool                     // whether the records of a subject are here
	done    map[string]store.Records
	decided map[string]map[string]*compliancev1.ApplicabilityDecision
	granted map[string]map[store.Extended]*compliancev1.Extension
	ended   map[string]time.Time
	fitted  map[string][]*compliancev1.Fitting
	items   map[string]*compliancev1.DueItem // by name, those that are needed
}

// withThings reads subjects and what they are on: a table at a time, so many names at once.
func (u unit) withThings(ctx context.Context, subjects []string) (unit, error) {
	l := &loaded{things: map[string]thing{}, plans: map[string]*compliancev1.FlyingPlan{}}
	for want := subjects; len(want) > 0; {
		if err := u.loadThings(ctx, l, want); err != nil {
			return u, err
		}
		want = l.around(want)
	}
	u.loaded = l
	return u, nil
}

// around are what things are fitted to that was not read yet.
func (l *loaded) around(names []string) (more []string) {
	for _, name := range names {
		host := ""
		switch t := l.things[name].(type) {
		case *compliancev1.Component:
			host = t.GetHost()
		case *compliancev1.Engine:
			host = t.GetAircraft()
		}
		if host != "" && l.things[host] == nil && !slices.Contains(more, host) {
			more = append(more, host)
		}
	}
	return more
}

func (u unit) loadThings(ctx context.Context, l *loaded, names []string) error {
	byKind := map[compliancev1.Applicability_SubjectKind][]string{}
	for _, name := range names {
		byKind[kindOf(name)] = append(byKind[kindOf(name)], name)
	}
	for kind, all := range byKind {
		for some := range slices.Chunk(all, store.Many) {
			if err := u.loadKind(ctx, l, kind, some); err != nil {
				return err
			}
		}
	}
	return nil
}

func (u unit) loadKind(ctx context.Context, l *loaded, kind compliancev1.Applicability_SubjectKind, names []string) error {
	in, args := store.In("name", 1, names)
	switch kind {
	case compliancev1.Applicability_AIRCRAFT:
		found, err := store.Aircraft.Where(ctx, u.Tx, in, args...)
		if err := keep(l, found, err); err != nil {
			return err
		}
		return u.loadPlans(ctx, l, names)
	case compliancev1.Applicability_COMPONENTS:
		found, err := store.Components.Where(ctx, u.Tx, in, args...)
		return keep(l, found, err)
	default:
		found, err := store.Engines.Where(ctx, u.Tx, in, args...)
		return keep(l, found, err)
	}
}

func (u unit) loadPlans(ctx context.Context, l *loaded, planes []string) error {
	all := make([]string, len(planes))
	for i, name := range planes {
		all[i] = name + planSuffix
	}
	in, args := store.In("name", 1, all)
	found, err := store.FlyingPlans.Where(ctx, u.Tx, in, args...)
	for _, plan := range found {
		l.plans[strings.TrimSuffix(plan.GetName(), planSuffix)] = plan
	}
	return err
}

func keep[T thing](l *loaded, found []T, err error) error {
	for _, t := range found {
		l.things[t.GetName()] = t
	}
	return err
}

// withRecords reads subjects, at most store.Many, with everything that their due items follow from, and the items of some of them.
func (u unit) withRecords(ctx context.Context, subjects, items []string) (_ unit, err error) {
	if u, err = u.withFacts(ctx, subjects); err != nil {
		return u, err
	}
	return u.withRows(ctx, subjects, items, nil)
}

// withFacts reads subjects, at most store.Many, with all that their due items follow from but for the records of work, which are many.
func (u unit) withFacts(ctx context.Context, subjects []string) (_ unit, err error) {
	if u, err = u.withThings(ctx, subjects); err != nil {
		return u, err
	}
	l := u.loaded
	if l.decided, err = store.DecisionsOfMany(ctx, u.Tx, subjects); err != nil {
		return u, err
	}
	if l.granted, err = store.ExtensionsOfMany(ctx, u.Tx, subjects); err != nil {
		return u, err
	}
	if l.ended, err = store.LastEndedOfMany(ctx, u.Tx, subjects); err != nil {
		return u, err
	}
	in, args := store.In("item", 1, subjects)
	fittings, err := store.Fittings.Where(ctx, u.Tx, in+" ORDER BY install_date DESC, name DESC", args...)
	l.fitted = by(fittings, (*compliancev1.Fitting).GetItem)
	return u, err
}

// withRows reads the records of work on some of the subjects of withFacts, and the items of some; only, when set, narrows them to what some
// requirements follow from.
func (u unit) withRows(ctx context.Context, subjects, items []string, only names) (_ unit, err error) {
	l := *u.loaded
	if l.done, err = store.LinesOfMany(ctx, u.Tx, subjects, u.recordsFor(only)); err != nil {
		return u, err
	}
	if l.items, err = store.DueItemsOfMany(ctx, u.Tx, items, only); err != nil {
		return u, err
	}
	l.records = map[string]bool{}
	for _, name := range subjects {
		l.records[name] = true
	}
	u.loaded = &l
	return u, nil
}

func by[T any](all []T, key func(T) string) map[string][]T {
	out := map[string][]T{}
	for _, one := range all {
		out[key(one)] = append(out[key(one)], one)
	}
	return out
}

// item is the row of a requirement on a subject, nil when there is none or it was not needed.
func (l *loaded) item(s seen, r *compliancev1.Requirement) *compliancev1.DueItem {
	return l.items[dueName(r.GetName(), s.subject.GetName())]
}

// loadItems reads the rows of items, where what is kept was enough so far.
func (u unit) loadItems(ctx context.Context, s seen, items []fresh) error {
	if s.kept == nil {
		return nil // they were read already
	}
	for some := range slices.Chunk(items, store.Many) {
		all := make(names, len(some))
		for i := range some {
			all[i] = some[i].item.GetName()
		}
		in, args := store.In("name", 1, all)
		found, err := store.DueItems.Where(ctx, u.Tx, in, args...)
		if err != nil {
			return err
		}
		for _, item := range found {
			u.loaded.items[item.GetName()] = item
		}
	}
	return nil
}

// has reports whether everything about a subject was read.
func (l *loaded) has(subject string) bool { return l != nil && l.records[subject] }

// thing is one that was read, nil when it was not.
func (l *loaded) thing(name string) thing {
	if l == nil {
		return nil
	}
	return l.things[name]
}

// aircraft is an aircraft that was read already, or is now.
func (u unit) aircraft(ctx context.Context, name string) (*compliancev1.Aircraft, error) {
	t, err := u.read(ctx, name)
	plane, ok := t.(*compliancev1.Aircraft)
	if err == nil && !ok {
		err = fault.Missing(name)
	}
	return plane, err
}
