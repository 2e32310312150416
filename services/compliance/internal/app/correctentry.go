package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CorrectEntryCounters puts right what an aircraft, an engine or a component was entered with, signs that, and works out anew what follows.
func (a *App) CorrectEntryCounters(ctx context.Context, req *compliancev1.CorrectEntryCountersRequest) (*compliancev1.CorrectEntryCountersResponse, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.CorrectEntryCountersResponse, error) {
		return a.unit(ctx, tx).correctEntry(ctx, req, proof, proofErr)
	})
}

func (u unit) correctEntry(ctx context.Context, req *compliancev1.CorrectEntryCountersRequest, proof auth.Reauth, proofErr error) (*compliancev1.CorrectEntryCountersResponse, error) {
	if err := u.mayAmend(ctx, req.GetReason(), proof, proofErr); err != nil {
		return nil, err
	}
	t, err := u.thing(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(t, req.GetEtag()); err != nil {
		return nil, err
	}
	if unknown(t) {
		return nil, fault.Precondition("CORRECTION_NOT_ALLOWED", "Nobody entered the counters of %s, so there is nothing to correct. %s.", t.GetName(), nextMove(t))
	}
	c := &compliancev1.EntryCorrection{AuthorityReference: req.GetAuthorityReference(), Reason: req.GetReason()}
	was, err := u.wasEntered(ctx, t)
	if err != nil {
		return nil, err
	}
	if _, err := u.enterOn(ctx, t, req.GetEntryDate(), c); err != nil {
		return nil, err
	}
	right, err := u.rightEntry(ctx, t, req.GetCounters(), req.GetCountersDate())
	if err != nil {
		return nil, err
	}
	if err := u.reenter(ctx, t, was, right, c); err != nil {
		return nil, err
	}
	if err := u.signEntry(ctx, t, c); err != nil {
		return nil, err
	}
	if err := u.recomputeAll(ctx, []string{t.GetName()}); err != nil {
		return nil, err
	}
	return &compliancev1.CorrectEntryCountersResponse{EntryCorrection: c, Counters: t.GetCounters(), Etag: t.GetEtag()}, nil
}

// rightEntry is what a thing should have been entered with, from counters that are right at the end of a day; without a day before anything was flown.
// Reasons: COUNTERS_IMPLAUSIBLE, DATE_IN_FUTURE, DATE_BEFORE_LAST.
func (u unit) rightEntry(ctx context.Context, t thing, said *compliancev1.Counters, at *date.Date) (*compliancev1.Counters, error) {
	if at == nil {
		return said, nil
	}
	through, err := u.readOn(at)
	if err != nil {
		return nil, err
	}
	if entered := dateOf(t.GetEntryDate()); through.Before(entered) {
		return nil, fault.Precondition("DATE_BEFORE_LAST", "%s was entered with its counters at the end of %s, after %s. Give them as at the end of that day or a later one.",
			t.GetName(), entered, through)
	}
	return u.beforeFlown(ctx, t.GetName(), said, through)
}

// beforeFlown takes what a thing is known to have flown through a day from counters at the end of that day. Reason: COUNTERS_IMPLAUSIBLE.
func (u unit) beforeFlown(ctx context.Context, name string, said *compliancev1.Counters, through civil.Date) (*compliancev1.Counters, error) {
	flown, err := store.CountersFlown(ctx, u.Tx, name, through.String(), allKnown)
	if err != nil {
		return nil, err
	}
	entry := countersPlus(said, negative(flown))
	if notNegative(name, entry) != nil {
		return nil, fault.Invalid("counters", "COUNTERS_IMPLAUSIBLE",
			"%s alone has recorded flying of %s h and %d cycles by %s, more than these counters say. Read them again, or give the day that they are of.",
			name, span(flown.GetOperatingSeconds()), flown.GetCycles(), through)
	}
	return entry, nil
}

// wasEntered are the counters that a thing was entered with, nil when nobody entered any.
func (u unit) wasEntered(ctx context.Context, t thing) (*compliancev1.Counters, error) {
	if t.GetEntryCounters() != nil || unknown(t) {
		return t.GetEntryCounters(), nil
	}
	flown, err := store.CountersFlown(ctx, u.Tx, t.GetName(), "9999-12-31", allKnown)
	return countersPlus(t.GetCounters(), negative(flown)), err // entered before these were kept
}

// reenter puts right counters in the place of those that a thing was entered with, keeps both with who signs it, and saves the thing. What was flown
// since stays on top. Reasons: CORRECTION_NOT_ALLOWED, COUNTERS_IMPLAUSIBLE.
func (u unit) reenter(ctx context.Context, t thing, was, right *compliancev1.Counters, c *compliancev1.EntryCorrection) error {
	if c.GetEntryDate() == nil && proto.Equal(was, right) {
		return fault.Invalid("counters", "CORRECTION_NOT_ALLOWED", "%s was entered with just these counters, as at that day. Give the right ones.", t.GetName())
	}
	flown, err := store.CountersFlown(ctx, u.Tx, t.GetName(), "9999-12-31", allKnown)
	if err != nil {
		return err
	}
	if err := u.noneAbove(ctx, t, right, c); err != nil {
		return err
	}
	h := heldBy(t)
	c.PreviousCounters, c.Counters, c.Person, c.CorrectTime = was, right, u.caller.Person, timestamppb.New(u.now)
	*h.counters, *h.entry, *h.corrections = countersPlus(right, flown), right, append(*h.corrections, c)
	if err := u.saveThing(ctx, t); err != nil {
		return err
	}
	if err := store.AddVersion(ctx, u.Tx, t, u.now); err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.compliance.counters.corrected.v1", t.GetName(),
		&compliancev1.CountersCorrected{Subject: t.GetName(), EntryCorrection: c, Counters: t.GetCounters()})
}

// noneAbove refuses counters below those at which work was done earlier: an interval would count from hours that it never had. Reason:
// COUNTERS_IMPLAUSIBLE.
func (u unit) noneAbove(ctx context.Context, t thing, right *compliancev1.Counters, now *compliancev1.EntryCorrection) error {
	done, err := u.doneOn(ctx, t.GetName(), seen{known: allKnown})
	if err != nil {
		return err
	}
	all := append(slices.Clone(t.GetEntryCorrections()), now)
	for _, records := range done {
		for _, a := range records {
			if !a.DoneDate.Before(enteredOn(t)) || !fromPapers(t, all, a) {
				continue
			}
			if c := a.Counters; counts(right, due.Hours) && right.GetOperatingSeconds() < c.Seconds || counts(right, due.Cycles) && right.GetCycles() < c.Cycles ||
				counts(right, due.Starts) && right.GetStarts() < c.Starts {
				return fault.Invalid("counters", "COUNTERS_IMPLAUSIBLE", "%s says that it had %s h and %d cycles on %s already, more than these counters. Read them again, or correct that record first.",
					a.Name, span(c.Seconds), c.Cycles, a.DoneDate).With("accomplishment", a.Name)
			}
		}
	}
	return nil
}

// enteredOn is the day from whose end on the counters of a thing are ours; the one on which it was added where no other was said.
func enteredOn(t thing) civil.Date {
	if day := dateOf(t.GetEntryDate()); !day.IsZero() {
		return day
	}
	return civil.Of(t.GetCreateTime().AsTime())
}

// fromPapers reports whether a record of work was made from papers: the work was done before the day on which the thing was entered, as that was known
// when it was recorded. Others were made from the counters that are kept here.
func fromPapers(t thing, corrections []*compliancev1.EntryCorrection, a *store.Record) bool {
	began := enteredOn(t)
	for _, c := range slices.Backward(corrections) {
		if at := c.GetCorrectTime(); c.GetEntryDate() == nil || at != nil && storage.Micros(at.AsTime()) <= a.Recorded {
			continue
		}
		if began = dateOf(c.GetPreviousEntryDate()); began.IsZero() {
			began = civil.Of(t.GetCreateTime().AsTime())
		}
	}
	return a.DoneDate.Before(began)
}

// signEntry signs what something was entered with and what it should have been.
func (u unit) signEntry(ctx context.Context, t thing, c *compliancev1.EntryCorrection) error {
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "entries", Kind: "entry_corrected", Subject: t.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
			{Name: "authority", Value: c.GetAuthorityReference()}, {Name: "reason", Value: c.GetReason()}, {Name: "person", Value: c.GetPerson()},
			{Name: "was_entry", Value: spelledOut(c.GetPreviousCounters())}, {Name: "is_entry", Value: spelledOut(c.GetCounters())},
			{Name: "was_day", Value: dayOf(c, c.GetPreviousEntryDate())}, {Name: "is_day", Value: dayOf(c, c.GetEntryDate())},
		},
	})
	return err
}

// dayOf is the day that counters were entered with, as it is signed; empty where that stays.
func dayOf(c *compliancev1.EntryCorrection, day *date.Date) string {
	switch {
	case c.GetEntryDate() == nil:
		return ""
	case day == nil:
		return "none"
	default:
		return dateOf(day).String()
	}
}

// spelledOut is counters as they are signed.
func spelledOut(c *compliancev1.Counters) string {
	return fmt.Sprintf("%d s, %d cycles, %d starts, %d landings", c.GetOperatingSeconds(), c.GetCycles(), c.GetStarts(), c.GetLandings())
}

// reentered is by how much corrections of what a thing was entered with are known to have moved the counters that a record of work was made from. Work
// of before the thing was entered was recorded from its papers.
func reentered(s seen, a *store.Record) *compliancev1.Counters {
	moved := &compliancev1.Counters{}
	if fromPapers(s.subject, s.subject.GetEntryCorrections(), a) {
		return moved
	}
	for _, c := range s.subject.GetEntryCorrections() {
		if at := c.GetCorrectTime().AsTime(); storage.Micros(at) > a.Recorded && !s.known.Before(at) && c.GetPreviousCounters() != nil {
			moved = countersPlus(moved, countersPlus(c.GetCounters(), negative(c.GetPreviousCounters())))
		}
	}
	return moved
}
