package app

import (
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/fitted"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
)

// moves is by how much the counters of things move, and the last day that their flying reaches.
type moves map[string]*moved

type moved struct {
	by   *compliancev1.Counters
	last civil.Date
}

func (m moves) add(item string, by *compliancev1.Counters, day civil.Date) {
	if m[item] == nil {
		m[item] = &moved{by: &compliancev1.Counters{}}
	}
	m[item].by = countersPlus(m[item].by, by)
	if m[item].last.Before(day) {
		m[item].last = day
	}
}

// countersIn is what an entry of flying counts.
func countersIn(e *compliancev1.Utilization) *compliancev1.Counters {
	return &compliancev1.Counters{OperatingSeconds: e.GetFlownSeconds(), Cycles: e.GetCycles(), Starts: e.GetStarts(), Landings: e.GetLandings()}
}

func negative(c *compliancev1.Counters) *compliancev1.Counters {
	return &compliancev1.Counters{OperatingSeconds: -c.GetOperatingSeconds(), Cycles: -c.GetCycles(), Starts: -c.GetStarts(), Landings: -c.GetLandings()}
}

// followers are the aircraft of an entry and everything that was fitted to it on that day, directly or in what was fitted; counted
// is what counted the entry so far. Reason: FITTING_AMBIGUOUS.
func (u unit) followers(ctx context.Context, entry *compliancev1.Utilization, counted []string) ([]string, error) {
	flight := fitted.Flight{Day: dateOf(entry.GetFlightDate()), Named: entry.GetFittedItems(), Counted: counted}
	all := []string{parentOf(entry.GetName())}
	for i := 0; i < len(all); i++ {
		there, err := u.fittingsOn(ctx, all[i])
		if err != nil {
			return nil, err
		}
		items, err := fitted.Follow(there, flight)
		if err != nil {
			return nil, err
		}
		for _, item := range items {
			if !slices.Contains(all, item) {
				all = append(all, item)
			}
		}
	}
	return all, nil
}

func enginesAmong(items []string) []string {
	return slices.DeleteFunc(slices.Clone(items), func(item string) bool { return !strings.HasPrefix(item, "engines/") })
}

// fittingsOn is what is and was fitted to a host. Engines that were fitted before fittings were kept were always there.
func (u unit) fittingsOn(ctx context.Context, host string) ([]fitted.Fitting, error) {
	kept, err := store.Fittings.Where(ctx, u.Tx, "host = $1 AND correction = '' ORDER BY name", host)
	if err != nil {
		return nil, err
	}
	var out []fitted.Fitting
	for _, f := range kept {
		out = append(out, fittedOf(f))
	}
	older, err := store.Engines.Where(ctx, u.Tx, "aircraft = $1 AND NOT EXISTS (SELECT 1 FROM fittings WHERE fittings.item = engines.name) ORDER BY name", host)
	for _, e := range older {
		out = append(out, fitted.Fitting{Item: e.GetName(), Host: host, Position: e.GetPosition()})
	}
	return out, err
}

func fittedOf(f *compliancev1.Fitting) fitted.Fitting {
	return fitted.Fitting{Item: f.GetItem(), Host: f.GetHost(), Position: f.GetPosition(), From: dateOf(f.GetInstallDate()), To: dateOf(f.GetRemoveDate())}
}

// allocate makes things count an entry from now on; all is everything that flew, these things among it. A thing whose counters were entered as at the end of that day or later has it
// in them.
func (u unit) allocate(ctx context.Context, entry *compliancev1.Utilization, items, all []string, m moves) error {
	day := dateOf(entry.GetFlightDate())
	for _, item := range items {
		t, err := u.thing(ctx, item)
		if err != nil {
			return err
		}
		if entered := dateOf(t.GetEntryDate()); !entered.IsZero() && !entered.Before(day) {
			continue
		}
		engine, err := u.engineOver(ctx, item, day, all)
		if err != nil {
			return err
		}
		if err := store.AddFlown(ctx, u.Tx, item, engine, entry, u.now); err != nil {
			return err
		}
		m.add(item, countersIn(entry), day)
	}
	return nil
}

// release makes things count an entry no longer.
func (u unit) release(ctx context.Context, entry *compliancev1.Utilization, items []string, m moves) error {
	for _, item := range items {
		if err := store.EndFlown(ctx, u.Tx, item, entry.GetName(), u.now); err != nil {
			return err
		}
		m.add(item, negative(countersIn(entry)), civil.Date{})
	}
	return nil
}

// reallocate gives the flying of a host from a day on to what was fitted then, after a fitting was entered late: also flying that the host itself does not
// count, as it was entered with counters of a later day.
func (u unit) reallocate(ctx context.Context, host string, from civil.Date, m moves) error {
	entries, err := u.flyingOver(ctx, host, from)
	if err != nil {
		return err
	}
	for _, entry := range entries {
		have, err := store.ItemsOf(ctx, u.Tx, entry.GetName())
		if err != nil {
			return err
		}
		want, err := u.followers(ctx, entry, have)
		if err != nil {
			return err
		}
		if err := u.release(ctx, entry, without(have, want), m); err != nil {
			return err
		}
		if err := u.allocate(ctx, entry, without(want, have), want, m); err != nil {
			return err
		}
	}
	return nil
}

func without(list, out []string) []string {
	return slices.DeleteFunc(slices.Clone(list), func(s string) bool { return slices.Contains(out, s) })
}

// move moves the counters and works out anew what is due on what moved.
func (u unit) move(ctx context.Context, m moves) error {
	for _, item := range slices.Sorted(maps.Keys(m)) {
		t, err := u.thing(ctx, item)
		if err != nil {
			return err
		}
		counters := movedBy(t, m[item].by)
		if err := notNegative(item, counters); err != nil {
			return err
		}
		if err := u.saveCounters(ctx, t, counters, later(t.GetCountersDate(), m[item].last)); err != nil {
			return err
		}
	}
	return u.recomputeAll(ctx, slices.Sorted(maps.Keys(m)))
}

// engineOver is the engine that a component was in on a day, directly or within others that flew; empty for what is no component.
func (u unit) engineOver(ctx context.Context, item string, day civil.Date, all []string) (string, error) {
	for strings.HasPrefix(item, "components/") {
		kept, err := store.Fittings.Where(ctx, u.Tx, "item = $1 AND correction = '' ORDER BY install_date DESC, name DESC", item)
		if err != nil {
			return "", err
		}
		i := slices.IndexFunc(kept, func(f *compliancev1.Fitting) bool {
			return fittedOf(f).Covers(day) && slices.Contains(all, f.GetHost())
		})
		if i < 0 {
			return "", nil
		}
		if item = kept[i].GetHost(); strings.HasPrefix(item, "engines/") {
			return item, nil
		}
	}
	return "", nil
}

// thing is what has counters: an aircraft, an engine or a component.
type thing interface {
	proto.Message

	GetName() string
	GetCounters() *compliancev1.Counters
	GetCountersDate() *date.Date
	GetEntryCounters() *compliancev1.Counters
	GetEntryDate() *date.Date
	GetEntryCorrections() []*compliancev1.EntryCorrection
	GetCreateTime() *timestamppb.Timestamp
	GetEtag() string
}

func (u unit) thing(ctx context.Context, name string) (thing, error) {
	if strings.HasPrefix(name, "aircraft/") {
		return store.Aircraft.Lock(ctx, u.Tx, name)
	}
	if strings.HasPrefix(name, "components/") {
		return store.Components.Lock(ctx, u.Tx, name)
	}
	return store.Engines.Lock(ctx, u.Tx, name)
}

func (u unit) saveCounters(ctx context.Context, t thing, counters *compliancev1.Counters, day *date.Date) error {
	h := heldBy(t)
	*h.counters, *h.read = counters, day
	return u.saveThing(ctx, t)
}

// countersAt are the counters of a thing at the end of a civil day, as far as they were known at an instant: those entered when it
// was added and what it flew since. Nil says that they are not known, because the day is before those entered.
func (u unit) countersAt(ctx context.Context, t thing, day civil.Date, known time.Time) (*compliancev1.Counters, error) {
	entry, entered := t.GetEntryCounters(), dateOf(t.GetEntryDate())
	if unknown(t) {
		return nil, nil //nolint:nilnil // nobody entered them
	}
	if entry == nil { // added before these were kept: only the newest counters are sure
		flown, err := store.CountersFlown(ctx, u.Tx, t.GetName(), "9999-12-31", allKnown)
		if err != nil {
			return nil, err
		}
		entry, entered = countersPlus(t.GetCounters(), negative(flown)), dateOf(t.GetCountersDate())
	}
	if !entered.IsZero() && day.Before(entered) {
		return nil, nil //nolint:nilnil // not known
	}
	flown, err := store.CountersFlown(ctx, u.Tx, t.GetName(), day.String(), known)
	return countersPlus(entry, flown), err
}

// readAt is the last day that the counters of a thing speak of at the end of a day, as far as it was known at an instant: that of its
// newest flying, or of its entry; zero when neither is known.
func (u unit) readAt(ctx context.Context, t thing, day civil.Date, known time.Time) (civil.Date, error) {
	last, err := store.LastFlown(ctx, u.Tx, t.GetName(), day.String(), known)
	if err != nil || last == "" {
		return dateOf(t.GetEntryDate()), err
	}
	return civil.Parse(max(last, dateOf(t.GetEntryDate()).String()))
}

// allKnown is an instant after everything that was recorded.
var allKnown = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// later is the later of the day that counters were valid at and a new one.
func later(have *date.Date, day civil.Date) *date.Date {
	if resource.DateText(have) >= day.String() {
		return have
	}
	return protoDate(day)
}
