package app

import (
	"context"
	"slices"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
)

// enterOn puts the right day in the place of the one that a thing was entered with, and gives it the flying between the two days or takes that back. It
// reports whether the day moved; c keeps both. The thing's counters are stale until it is entered anew. Reasons: DATE_INVALID, DATE_IN_FUTURE.
func (u unit) enterOn(ctx context.Context, t thing, to *date.Date, c *compliancev1.EntryCorrection) (moved bool, err error) {
	if to == nil {
		return false, nil
	}
	day, err := realDate("entry_date", to)
	if err != nil {
		return false, err
	}
	if err := u.notFuture("entry_date", day); err != nil {
		return false, err
	}
	h := heldBy(t)
	was := dateOf(*h.day)
	if was == day {
		return false, nil
	}
	c.PreviousEntryDate, c.EntryDate, *h.day = *h.day, to, to
	if err := u.saveThing(ctx, t); err != nil { // flying is given by the day
		return false, err
	}
	if err := u.flownBy(ctx, t.GetName(), day); err != nil {
		return false, err
	}
	if !was.IsZero() && day.Before(was) {
		if err := u.flownFrom(ctx, t.GetName(), day.AddDays(1)); err != nil {
			return false, err
		}
	}
	last, err := u.readAt(ctx, t, civil.Date{Year: 9999, Month: 12, Day: 31}, allKnown)
	*h.read = protoDate(last)
	return true, err
}

// flownBy takes from a thing what it flew through a day: that is in its counters.
func (u unit) flownBy(ctx context.Context, item string, day civil.Date) error {
	entries, err := store.EntriesOf(ctx, u.Tx, item, day.String(), allKnown)
	for _, e := range entries {
		if err == nil {
			err = store.EndFlown(ctx, u.Tx, item, e.Name, u.now)
		}
	}
	return err
}

// flownFrom gives a thing the flying from a day on with which it was fitted and that it does not count yet.
func (u unit) flownFrom(ctx context.Context, item string, from civil.Date) error {
	entries, err := u.flyingOver(ctx, item, from)
	if err != nil {
		return err
	}
	for _, entry := range entries {
		have, err := store.ItemsOf(ctx, u.Tx, entry.GetName())
		if err != nil {
			return err
		}
		all, err := u.followers(ctx, entry, have)
		if err != nil {
			return err
		}
		if slices.Contains(all, item) && !slices.Contains(have, item) {
			if err := u.allocate(ctx, entry, []string{item}, all, moves{}); err != nil {
				return err
			}
		}
	}
	return nil
}

// flyingOver is the flying from a day on of every aircraft that a thing is or ever was on, oldest first: whether the aircraft itself counts it or has it in
// the counters that it was entered with. Of flying of before it was kept what counts it, nothing is given to anything else.
func (u unit) flyingOver(ctx context.Context, item string, from civil.Date) (out []*compliancev1.Utilization, err error) {
	planes, err := u.carriers(ctx, item)
	if err != nil {
		return nil, err
	}
	for _, plane := range planes {
		entries, err := store.Utilizations.Where(ctx, u.Tx, "name >= $1 AND name < $2 AND flight_date >= $3 "+
			"AND EXISTS (SELECT 1 FROM flown WHERE flown.utilization = utilizations.name) ORDER BY flight_date, name", plane+"/", plane+"0", from.String())
		if err != nil {
			return nil, err
		}
		out = append(out, slices.DeleteFunc(entries, func(e *compliancev1.Utilization) bool { return e.GetCorrection() != "" })...)
	}
	return out, nil
}

// carriers are the aircraft that a thing is or ever was on, also within others.
func (u unit) carriers(ctx context.Context, item string) (planes []string, err error) {
	all := []string{item}
	for i := 0; i < len(all); i++ {
		if kindOf(all[i]) == compliancev1.Applicability_AIRCRAFT {
			planes = append(planes, all[i])
			continue
		}
		kept, err := store.Fittings.Where(ctx, u.Tx, "item = $1 AND correction = '' ORDER BY install_date, name", all[i])
		if err != nil {
			return nil, err
		}
		if len(kept) == 0 { // fitted before fittings were kept
			t, err := u.read(ctx, all[i])
			if err != nil {
				return nil, err
			}
			if e, ok := t.(*compliancev1.Engine); ok && e.GetAircraft() != "" {
				kept = append(kept, &compliancev1.Fitting{Host: e.GetAircraft()})
			}
		}
		for _, f := range kept {
			if !slices.Contains(all, f.GetHost()) {
				all = append(all, f.GetHost())
			}
		}
	}
	return planes, nil
}
