package app

import (
	"context"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
)

// held is where a thing holds its counters: now and as it was entered with, the days that these are of, and how the entry was corrected.
type held struct {
	counters, entry **compliancev1.Counters
	read, day       **date.Date
	corrections     *[]*compliancev1.EntryCorrection
	history         *[]*compliancev1.PastFitting // of a component
}

// heldBy is where an aircraft, an engine or a component holds its counters.
func heldBy(t thing) held {
	switch t := t.(type) {
	case *compliancev1.Aircraft:
		return held{&t.Counters, &t.EntryCounters, &t.CountersDate, &t.EntryDate, &t.EntryCorrections, nil}
	case *compliancev1.Engine:
		return held{&t.Counters, &t.EntryCounters, &t.CountersDate, &t.EntryDate, &t.EntryCorrections, nil}
	case *compliancev1.Component:
		return held{&t.Counters, &t.EntryCounters, &t.CountersDate, &t.EntryDate, &t.EntryCorrections, &t.History}
	default:
		return held{}
	}
}

// saveThing saves a thing.
func (u unit) saveThing(ctx context.Context, t thing) error {
	switch t := t.(type) {
	case *compliancev1.Aircraft:
		return store.Aircraft.Save(ctx, u.Tx, t, u.now)
	case *compliancev1.Engine:
		return store.Engines.Save(ctx, u.Tx, t, u.now)
	case *compliancev1.Component:
		return store.Components.Save(ctx, u.Tx, t, u.now)
	default:
		return fault.New(fault.Internal, "INTERNAL", "%s has no counters.", t.GetName())
	}
}

// lifeKnown is a thing with the history and the entry that it was known to have at an instant: these were always true of it, so that
// a correction counts from when it was recorded, for whatever day is asked about.
func (u unit) lifeKnown(ctx context.Context, t thing, s seen) (thing, error) {
	said := blank(t)
	found, err := store.VersionKnown(ctx, u.Tx, t.GetName(), s.known, said)
	if err != nil || !found {
		return t, err
	}
	was := heldBy(said)
	out, ok := proto.Clone(t).(thing)
	if !ok {
		return t, nil
	}
	now := heldBy(out)
	*now.corrections = *was.corrections
	if now.history != nil {
		*now.history = *was.history
	}
	if *was.entry == nil && !unknown(said) { // known before what it was entered with was kept
		for _, c := range t.GetEntryCorrections() {
			if s.known.Before(c.GetCorrectTime().AsTime()) {
				*now.entry = c.GetPreviousCounters()
				break
			}
		}
		return out, nil
	}
	if *now.entry, *now.day = *was.entry, *was.day; unknown(said) {
		*now.counters = nil
	}
	return out, nil
}
