package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// signed is a request to correct with the proof of who signs it, and what was wrong with the proof.
type signed struct {
	req      *compliancev1.CreateUtilizationRequest
	proof    auth.Reauth
	proofErr error
}

// correct replaces an entry of flying: the counters of the aircraft and of the engines that followed the entry move by the
// difference, and what is due on these engines is worked out anew. The replaced entry stays, marked.
func (u unit) correct(ctx context.Context, s signed) (*compliancev1.Utilization, error) {
	entry := s.req.GetUtilization()
	resource.ClearOutputOnly(entry)
	if err := u.mayCorrect(ctx, s); err != nil {
		return nil, err
	}
	plane, err := store.Aircraft.Lock(ctx, u.Tx, s.req.GetParent())
	if err != nil {
		return nil, err
	}
	old, err := u.replaced(ctx, plane, entry.GetCorrects())
	if err != nil {
		return nil, err
	}
	day, err := realDate("utilization.flight_date", entry.GetFlightDate())
	if err != nil {
		return nil, err
	}
	if err := u.plausible(plane, entry, day); err != nil {
		return nil, err
	}
	counted, err := store.ItemsOf(ctx, u.Tx, old.GetName())
	if err != nil {
		return nil, err
	}
	if len(counted) == 0 {
		return nil, fault.Precondition("CORRECTION_NOT_ALLOWED",
			"Which engines followed %s was not recorded, so it can't be corrected here. Note the difference in the engine's papers.", old.GetName())
	}
	entry.Name = u.app.newName(plane.GetName()+"/utilizations", s.req.GetUtilizationId())
	if err := u.replace(ctx, old, entry); err != nil {
		return nil, err
	}
	return entry, u.shift(ctx, plane, counted, old, entry)
}

func (u unit) mayCorrect(ctx context.Context, s signed) error {
	if !u.caller.Has("quality") {
		return fault.Denied("ROLE_MISSING", "A correction of flying is signed by quality. Ask one of the quality staff.")
	}
	if s.req.GetUtilization().GetReason() == "" {
		return fault.Invalid("utilization.reason", "CORRECTION_REASON_MISSING", "A correction says why the entry was wrong. Add the reason.")
	}
	if s.proofErr != nil {
		return s.proofErr
	}
	return auth.UseProof(ctx, u.Tx, s.proof, u.now)
}

// replaced is the entry to correct: one of this aircraft, and the newest of its line.
func (u unit) replaced(ctx context.Context, plane *compliancev1.Aircraft, name string) (*compliancev1.Utilization, error) {
	old, err := store.Utilizations.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	if parentOf(name) != plane.GetName() {
		return nil, fault.Invalid("utilization.corrects", "CORRECTION_NOT_ALLOWED", "%s is not flying of %s. Name an entry of this aircraft.", name, plane.GetName())
	}
	if old.GetCorrection() != "" {
		return nil, fault.Precondition("CORRECTION_NOT_ALLOWED", "%s was corrected already by %s. Correct that one.", name, old.GetCorrection()).
			With("correction", old.GetCorrection())
	}
	return old, nil
}

// replace records the new entry, marks the old one and signs both into the record.
func (u unit) replace(ctx context.Context, old, entry *compliancev1.Utilization) error {
	if err := store.Utilizations.Insert(ctx, u.Tx, entry, u.now); err != nil {
		return err
	}
	fields := []recordchain.Field{{Name: "corrects", Value: old.GetName()}, {Name: "reason", Value: entry.GetReason()}, {Name: "person", Value: u.caller.Person}}
	fields = append(append(fields, flying("was_", old)...), flying("is_", entry)...)
	if _, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "utilizations", Kind: "corrected", Subject: entry.GetName(), At: u.now, Actor: u.caller.Account, Fields: fields,
	}); err != nil {
		return err
	}
	old.Correction = entry.GetName()
	return store.Utilizations.Save(ctx, u.Tx, old, u.now)
}

func flying(prefix string, e *compliancev1.Utilization) []recordchain.Field {
	return []recordchain.Field{
		{Name: prefix + "date", Value: dateOf(e.GetFlightDate()).String()}, {Name: prefix + "seconds", Value: fmt.Sprint(e.GetFlownSeconds())},
		{Name: prefix + "cycles", Value: fmt.Sprint(e.GetCycles())}, {Name: prefix + "starts", Value: fmt.Sprint(e.GetStarts())},
		{Name: prefix + "landings", Value: fmt.Sprint(e.GetLandings())},
	}
}

// shift makes the right entry count instead of the wrong one, and works out anew what depends on it.
func (u unit) shift(ctx context.Context, plane *compliancev1.Aircraft, counted []string, old, entry *compliancev1.Utilization) error {
	items, err := u.followers(ctx, entry, counted)
	if err != nil {
		return err
	}
	m := moves{}
	if err := u.release(ctx, old, counted, m); err != nil {
		return err
	}
	if err := u.allocate(ctx, entry, items, items, m); err != nil {
		return err
	}
	if err := u.move(ctx, m); err != nil {
		return err
	}
	return u.flownFact(ctx, plane, enginesAmong(items), entry)
}

func notNegative(name string, c *compliancev1.Counters) error {
	if c.GetOperatingSeconds() < 0 || c.GetCycles() < 0 || c.GetStarts() < 0 || c.GetLandings() < 0 {
		return fault.Precondition("COUNTER_RUNS_BACK", "With that correction a counter of %s would fall below zero. Check the entry that is corrected.", name)
	}
	return nil
}

// corrected are the records of work with the counters that corrections of flying and of entries leave of what was signed. They only ever
// lower them, so that a correction never makes a limit last longer than was signed.
func (u unit) corrected(ctx context.Context, s seen, done []*store.Record) ([]*store.Record, error) {
	if s.records.lastEnded.IsZero() && len(s.subject.GetEntryCorrections()) == 0 {
		return done, nil
	}
	out := make([]*store.Record, len(done))
	for i, a := range done {
		moved, err := u.movedSince(ctx, a, s)
		if err != nil {
			return nil, err
		}
		lowered := *a
		lowered.Counters = lower(a.Counters, moved)
		out[i] = &lowered
	}
	return out, nil
}

// movedSince is by how much the counters at the end of the day of the work are known to be other than they were when the work was recorded.
func (u unit) movedSince(ctx context.Context, a *store.Record, s seen) (*compliancev1.Counters, error) {
	moved := reentered(s, a)
	if s.records.lastEnded.IsZero() && proto.Equal(moved, &compliancev1.Counters{}) {
		return moved, nil // flying that came late only adds, which lowers nothing
	}
	day := a.DoneDate.String()
	then, err := store.CountersFlown(ctx, u.Tx, s.subject.GetName(), day, storage.FromMicros(a.Recorded))
	if err != nil {
		return nil, err
	}
	now, err := store.CountersFlown(ctx, u.Tx, s.subject.GetName(), day, s.known)
	return countersPlus(countersPlus(now, negative(then)), moved), err
}

func lower(c due.Counters, moved *compliancev1.Counters) due.Counters {
	return due.Counters{
		Seconds: max(0, c.Seconds+min(0, moved.GetOperatingSeconds())), Cycles: max(0, c.Cycles+min(0, moved.GetCycles())),
		Starts: max(0, c.Starts+min(0, moved.GetStarts())),
	}
}
