package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
)

// uncounted is why a tree can't be counted by the counters of a subject; empty when it can. Counters that nobody entered are unknown and not 0, and so is
// a counter that stands at 0 although the others say that the thing has run for long: what is left out of an entry looks like 0.
func (s seen) uncounted(t due.Tree) string {
	if t.Unsaid() {
		return "A limit of the requirement does not say what it counts. A planner states it in a revision"
	}
	if !t.CountsUse() && !t.CountsTotals() {
		return ""
	}
	entry := s.subject.GetEntryCounters()
	switch {
	case unknown(s.subject):
		return "Its hours and cycles were never entered, and what is not said is not 0. " + nextMove(s.subject)
	case s.counters == nil:
		return "The counters at the end of " + s.today.String() + " are not recorded here"
	}
	for _, one := range counted {
		if t.Counts(one.unit) && !counts(entry, one.unit) {
			return fmt.Sprintf("It was entered with %s and no %s, and what is not said is not 0. %s", ranFor(entry), one.word, nextMove(s.subject))
		}
	}
	return ""
}

var counted = []struct {
	unit due.Unit
	word string
}{{due.Hours, "hours"}, {due.Cycles, "cycles"}, {due.Starts, "starts"}}

func nextMove(t thing) string {
	if kindOf(t.GetName()) == compliancev1.Applicability_COMPONENTS {
		return "Quality enters them from its record, as a correction of its history"
	}
	return "A planner enters them from its record"
}

// unknown reports whether nobody entered the counters of a thing.
func unknown(t thing) bool { return t.GetEntryCounters() == nil && t.GetCounters() == nil }

// mostUncounted is for how many seconds a thing may have run in its tests without a cycle: nothing flies for longer than a day at a time. Our own
// bound, no source.
const mostUncounted = daySeconds

// counts reports whether a counter with which a thing was entered is known: it is above 0, or the others don't say that it must be.
func counts(entry *compliancev1.Counters, unit due.Unit) bool {
	switch {
	case entry == nil:
		return true // entered before these were kept
	case unit == due.Hours:
		return entry.GetOperatingSeconds() > 0 || entry.GetCycles() == 0 && entry.GetStarts() == 0 && entry.GetLandings() == 0
	case unit == due.Cycles:
		return entry.GetCycles() > 0 || entry.GetOperatingSeconds() <= mostUncounted
	default:
		return entry.GetStarts() > 0 || entry.GetOperatingSeconds() <= mostUncounted
	}
}

func ranFor(c *compliancev1.Counters) string {
	if s := c.GetOperatingSeconds(); s > 0 {
		return span(s) + " h"
	}
	var words []string
	for _, one := range []struct {
		n    int64
		word string
	}{{c.GetCycles(), "cycles"}, {c.GetStarts(), "starts"}, {c.GetLandings(), "landings"}} {
		if one.n > 0 {
			words = append(words, fmt.Sprint(one.n, " ", one.word))
		}
	}
	return strings.Join(words, ", ")
}

// entered are the counters of a thing when it was added and now, with the days that they are true at the end of.
type entered struct {
	entry, now *compliancev1.Counters
	day, read  *date.Date
}

// enter reads counters that were not known of a thing so far, as they were at the end of a day; without one, today. What it flew by then is in them,
// what it flew since is counted on top. Counters that are known stay: they change by flying alone.
func (u unit) enter(ctx context.Context, t thing, said *compliancev1.Counters, at *date.Date) (entered, error) {
	stays := entered{entry: t.GetEntryCounters(), now: t.GetCounters(), day: t.GetEntryDate(), read: t.GetCountersDate()}
	if said == nil || !unknown(t) && !fills(t.GetEntryCounters(), said) {
		return stays, nil
	}
	through, err := u.readOn(at)
	if err != nil {
		return stays, err
	}
	if said, err = u.besideKnown(ctx, t, said, through); err != nil {
		return stays, err
	}
	before, err := u.beforeFlown(ctx, t.GetName(), said, through)
	if err != nil {
		return stays, err
	}
	all, err := store.CountersFlown(ctx, u.Tx, t.GetName(), "9999-12-31", allKnown)
	if err != nil {
		return stays, err
	}
	out := entered{entry: before, day: stays.day, read: stays.read}
	if unknown(t) {
		out.read = later(at, dateOf(stays.read))
		out.day, err = u.beforeFlying(ctx, t.GetName(), at)
	} else {
		out.entry = filled(t.GetEntryCounters(), out.entry)
	}
	out.now = countersPlus(out.entry, all)
	return out, err
}

// overKnown refuses to put other counters over those that are known, where an update names them: what was typed wrong is corrected with a signature.
// Reason: COUNTERS_KNOWN.
func overKnown(was thing, said *compliancev1.Counters, mask *fieldmaskpb.FieldMask) error {
	if said == nil || !slices.Contains(mask.GetPaths(), "counters") || unknown(was) || fills(was.GetEntryCounters(), said) || proto.Equal(said, was.GetCounters()) {
		return nil
	}
	return fault.Precondition("COUNTERS_KNOWN",
		"The counters of %s are known, so they change by flying alone. If it was entered with wrong ones, quality corrects these with CorrectEntryCounters.", was.GetName())
}

// besideKnown are counters that say one that was not known, with those that are known beside it: left out, as they are now, or as they were at the end of
// the day. Others are refused, as an update changes no counter that is known. Reason: COUNTERS_KNOWN.
func (u unit) besideKnown(ctx context.Context, t thing, said *compliancev1.Counters, through civil.Date) (*compliancev1.Counters, error) {
	entry := t.GetEntryCounters()
	if unknown(t) || entry == nil {
		return said, nil
	}
	flown, err := store.CountersFlown(ctx, u.Tx, t.GetName(), through.String(), allKnown)
	if err != nil {
		return nil, err
	}
	then, out := countersPlus(entry, flown), countersPlus(said, nil)
	for _, c := range [...]struct {
		known           bool
		said            *int64
		then, now       int64
		word, had, wish string
	}{
		{
			counts(entry, due.Hours), &out.OperatingSeconds, then.GetOperatingSeconds(), t.GetCounters().GetOperatingSeconds(),
			"hours", span(then.GetOperatingSeconds()) + " h", span(said.GetOperatingSeconds()) + " h",
		},
		{counts(entry, due.Cycles), &out.Cycles, then.GetCycles(), t.GetCounters().GetCycles(), "cycles", fmt.Sprint(then.GetCycles()), fmt.Sprint(said.GetCycles())},
		{counts(entry, due.Starts), &out.Starts, then.GetStarts(), t.GetCounters().GetStarts(), "starts", fmt.Sprint(then.GetStarts()), fmt.Sprint(said.GetStarts())},
		{entry.GetLandings() > 0, &out.Landings, then.GetLandings(), t.GetCounters().GetLandings(), "landings", fmt.Sprint(then.GetLandings()), fmt.Sprint(said.GetLandings())},
	} {
		switch {
		case *c.said == 0 || c.known && *c.said == c.now:
			*c.said = c.then
		case c.known && *c.said != c.then:
			return nil, fault.Precondition("COUNTERS_KNOWN", "The %s of %s are known: %s at the end of %s, not %s. Leave them out, or as they are, while others are entered; "+
				"if it was entered with wrong ones, quality corrects these with CorrectEntryCounters.", c.word, t.GetName(), c.had, through, c.wish)
		}
	}
	return out, nil
}

// readOn is the day that counters are true at the end of.
func (u unit) readOn(at *date.Date) (civil.Date, error) {
	if at == nil {
		return civil.Of(u.now), nil
	}
	day, err := realDate("counters_date", at)
	if err != nil {
		return day, err
	}
	return day, u.notFuture("counters_date", day)
}

// beforeFlying is a day, or the one before the first flying when that is earlier; none stays none.
func (u unit) beforeFlying(ctx context.Context, item string, at *date.Date) (*date.Date, error) {
	first, err := store.FirstFlown(ctx, u.Tx, item)
	if err != nil || first == "" || at == nil {
		return at, err
	}
	began, err := civil.Parse(first)
	if dateOf(at).Before(began) {
		return at, err
	}
	return protoDate(began.AddDays(-1)), err
}

// fills reports whether counters say one that was not known.
func fills(entry, said *compliancev1.Counters) bool {
	return said.GetOperatingSeconds() > 0 && !counts(entry, due.Hours) || said.GetCycles() > 0 && !counts(entry, due.Cycles) ||
		said.GetStarts() > 0 && !counts(entry, due.Starts)
}

// filled are the counters of an entry with those that were not known of it.
func filled(entry, said *compliancev1.Counters) *compliancev1.Counters {
	out := countersPlus(entry, nil)
	if !counts(entry, due.Hours) {
		out.OperatingSeconds = said.GetOperatingSeconds()
	}
	if !counts(entry, due.Cycles) {
		out.Cycles = said.GetCycles()
	}
	if !counts(entry, due.Starts) {
		out.Starts = said.GetStarts()
	}
	if entry.GetLandings() == 0 {
		out.Landings = said.GetLandings()
	}
	return out
}

// movedBy are the counters of a thing after flying; what was unknown stays so.
func movedBy(t thing, by *compliancev1.Counters) *compliancev1.Counters {
	if unknown(t) {
		return nil
	}
	return countersPlus(t.GetCounters(), by)
}
