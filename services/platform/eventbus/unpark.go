package eventbus

import (
	"context"
	"maps"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
)

// tooLong is how long a fact may be parked before those who keep watch are told.
const tooLong = 5 * time.Minute

// history is what a process knows of the parked facts that it tried, by their ids.
type history map[string]*tried

// tried is what came of the tries of a parked fact.
type tried struct {
	first, last time.Time
	failed      bool   // whether the last try failed, and not because the fact is early
	taken       uint64 // how many facts had taken effect before the last try
	told        bool   // whether those who keep watch were told of it
}

// rest is how long a fact that was tried is left alone: one that failed for a while; one that came too early for an eighth of the time that it has
// waited, within bounds, so that many which wait for long cost little, and what comes soon is taken soon. A fact that took effect meanwhile may be what
// it waits for, so that it is tried at the next look.
func (t *tried) rest(taken uint64) time.Duration {
	switch {
	case t.failed:
		return retryFailed
	case t.taken != taken:
		return 0
	default:
		return min(max(t.last.Sub(t.first)/8, retryParked), retryEarly)
	}
}

// unpark tries parked facts again until ctx ends.
func (w *worker) unpark(ctx context.Context) {
	h := history{}
	for ctx.Err() == nil {
		pause(ctx, retryParked)
		if err := w.retryOnce(ctx, h, clock.System().Now()); err != nil && ctx.Err() == nil {
			w.log.WarnContext(ctx, "parked facts can't be read", "error", err)
		}
	}
}

// retryOnce goes through the parked facts; a subject is left at the first fact that still can't take effect.
func (w *worker) retryOnce(ctx context.Context, h history, now time.Time) error {
	var parked []Parked
	err := w.db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		parked, err = ParkedEvents(ctx, tx)
		return err
	})
	if err != nil {
		return err
	}
	type key struct{ source, subject string }
	blocked, there := map[key]bool{}, map[string]bool{}
	for _, p := range parked {
		k := key{p.Source, p.Subject}
		if p.Consumer != w.Durable {
			continue
		}
		if there[p.ID] = true; !blocked[k] {
			blocked[k] = !w.again(ctx, h, p, now)
		}
	}
	maps.DeleteFunc(h, func(id string, _ *tried) bool { return !there[id] }) // given up, or another process was first
	return nil
}

// again tries a parked fact if it is time; false when it still waits.
func (w *worker) again(ctx context.Context, h history, p Parked, now time.Time) bool {
	t := h[p.ID]
	if t != nil && !now.Before(t.last) && now.Sub(t.last) < t.rest(w.taken.Load()) { // a clock that was put back tells nothing
		w.alarm(ctx, t, p)
		return false
	}
	taken := w.taken.Load() // before the try, so that what comes during it counts
	err := w.apply(ctx, p.Message)
	if err == nil {
		delete(h, p.ID)
		w.log.InfoContext(ctx, "parked fact took effect", "type", p.Type, "event", p.ID, "subject", p.Subject)
		return true
	}
	if t == nil {
		t = &tried{first: now}
		h[p.ID] = t
	}
	t.last, t.failed, t.taken = now, !isNotYet(err), taken
	if ctx.Err() == nil {
		p.Reason = w.explained(ctx, p, err)
		w.alarm(ctx, t, p)
	}
	return false
}

// explained keeps the newest reason: who looks for what to put right is not helped by one of before, such as a fact ahead of it that took effect since.
func (w *worker) explained(ctx context.Context, p Parked, why error) string {
	reason, err := Explain(ctx, w.db, p, why)
	if err != nil {
		w.log.WarnContext(ctx, "the reason of a parked fact can't be kept", "event", p.ID, "error", err)
	}
	return reason
}

// alarm tells once of a fact that has been parked for too long.
func (w *worker) alarm(ctx context.Context, t *tried, p Parked) {
	if t.told || w.clk.Now().Sub(p.ParkTime) < tooLong {
		return
	}
	t.told = true
	w.log.ErrorContext(ctx, "fact parked for too long", "type", p.Type, "event", p.ID, "subject", p.Subject, "since", p.ParkTime, "reason", p.Reason)
}
