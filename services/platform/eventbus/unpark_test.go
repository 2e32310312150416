package eventbus

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// bench is a worker whose looks at parked facts are told the time.
type bench struct {
	*worker

	t     *testing.T
	h     history
	began time.Time
	early map[string]bool // what waits for something
	fails map[string]bool
	tries map[string][]time.Duration // when each was tried, since it began
	at    time.Duration
	kept  strings.Builder
	fake  *clock.Fake
}

// benches runs fn on each engine.
func benches(t *testing.T, fn func(b *bench)) {
	t.Helper()
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		began := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
		b := &bench{t: t, h: history{}, began: began, early: map[string]bool{}, fails: map[string]bool{}, tries: map[string][]time.Duration{}, fake: clock.NewFake(began)}
		c := Consumer{Durable: "reader", Handle: func(_ context.Context, m Message) (Effect, error) {
			b.tries[m.ID] = append(b.tries[m.ID], b.at)
			switch {
			case b.early[m.ID]:
				return nil, NotYet("what %s rests on is not here", m.ID)
			case b.fails[m.ID]:
				return nil, errors.New("boom")
			}
			return nil, nil
		}}
		b.worker = &worker{Consumer: c, db: db, clk: b.fake, log: slog.New(slog.NewTextHandler(&b.kept, nil))}
		fn(b)
	})
}

func numbered(id, subject string, version int64) Message {
	return Message{Event: outbox.Event{ID: id, Type: "coldsection.stock.issued.v1", Source: "consumables", Subject: subject, Version: version, Data: []byte("{}")}}
}

// parks lets facts wait beside the stream.
func (b *bench) parks(all ...Message) {
	b.t.Helper()
	for _, m := range all {
		if err := b.park(b.t.Context(), m, "early"); err != nil {
			b.t.Fatal(err)
		}
	}
}

// looks goes through the parked facts at such a time since it began.
func (b *bench) looks(at time.Duration) {
	b.t.Helper()
	b.at = at
	if err := b.retryOnce(b.t.Context(), b.h, b.began.Add(at)); err != nil {
		b.t.Fatal(err)
	}
}

// comes lets a fact take effect that comes from the stream.
func (b *bench) comes(m Message) {
	b.t.Helper()
	if err := b.settle(b.t.Context(), m); err != nil {
		b.t.Fatal(err)
	}
}

// tried checks how often a fact was tried.
func (b *bench) tried(what, id string, want int) {
	b.t.Helper()
	if got := len(b.tries[id]); got != want {
		b.t.Errorf("%s: %s was tried %d times, want %d: %v", what, id, got, want, b.tries[id])
	}
}

// What waits is tried at every look at first, then after an eighth of the time that it has waited, and every five seconds for ever: many that wait for
// long cost little. The fact behind it is not tried at all.
func TestWhatWaitsForLongIsTriedLessOften(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1), numbered("a2", "lots/a", 2))
		b.early["a1"] = true
		const look = 250 * time.Millisecond
		for at := time.Duration(0); at <= 80*time.Second; at += look {
			b.looks(at)
		}
		tries := b.tries["a1"]
		for i, at := range tries[1:] {
			waited := tries[i]
			least := min(max(waited/8, look), 5*time.Second)
			if gap := at - waited; gap < least || gap >= least+look {
				b.t.Errorf("after %v it was left alone for %v, want %v", waited, gap, least)
			}
		}
		if n := len(tries); tries[8] != 2*time.Second || n < 35 || n > 50 || 80*time.Second-tries[n-1] >= 5*time.Second {
			b.t.Errorf("tried %d times: %v", n, tries)
		}
		b.tried("behind it", "a2", 0)
		delete(b.early, "a1")
		b.looks(85 * time.Second)
		b.tried("once it can", "a2", 1)
		if left := len(b.h); left != 0 {
			b.t.Errorf("%d facts are remembered that wait no longer", left)
		}
	})
}

// A fact that takes effect may be what others wait for, so that these are tried at the next look however long they have waited; what failed is not, and
// is left alone for half a minute.
func TestWhatWaitsIsTriedOnceAnotherFactTookEffect(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1), numbered("f1", "lots/f", 1))
		b.early["a1"], b.fails["f1"] = true, true
		for _, at := range []time.Duration{0, 100 * time.Second, 100*time.Second + 250*time.Millisecond} {
			b.looks(at)
		}
		b.tried("a moment after its last try", "a1", 2)
		b.tried("a moment after it failed", "f1", 2)
		b.comes(numbered("c1", "lots/c", 1))
		b.looks(100*time.Second + 500*time.Millisecond)
		b.tried("when another took effect", "a1", 3)
		b.looks(100*time.Second + 750*time.Millisecond)
		b.tried("when nothing more came", "a1", 3)
		b.tried("when another took effect", "f1", 2)
		b.comes(numbered("c2", "lots/c", 2))
		delete(b.early, "a1")
		b.looks(101 * time.Second)
		b.looks(130*time.Second - time.Microsecond)
		b.tried("when its parent came", "a1", 4)
		b.tried("before half a minute", "f1", 2)
		b.looks(130 * time.Second)
		b.tried("after half a minute", "f1", 3)
		if left, err := b.left(); left != "f1" || err != nil {
			b.t.Errorf("%s wait: %v", left, err)
		}
	})
}

// left are the ids of what is parked.
func (b *bench) left() (ids string, err error) {
	err = b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		parked, err := ParkedEvents(ctx, tx)
		for _, p := range parked {
			ids += p.ID
		}
		return err
	})
	return ids, err
}

// A clock that is put back holds nothing up: what was tried in its future is tried at the next look.
func TestAClockThatIsPutBackHoldsNothingUp(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1), numbered("f1", "lots/f", 1))
		b.early["a1"], b.fails["f1"] = true, true
		b.looks(0)
		b.looks(-time.Hour)
		b.tried("an hour back", "a1", 2)
		b.tried("an hour back", "f1", 2)
		b.looks(-time.Hour + time.Second)
		b.tried("a second later", "a1", 3)
		b.tried("a second later", "f1", 2)
	})
}

// Those who keep watch are told after five minutes also at a look at which the fact is left alone, and once; what is given up is forgotten.
func TestTheWatchIsToldAlsoBetweenTries(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1), numbered("f1", "lots/f", 1))
		b.early["a1"], b.fails["f1"] = true, true
		told := func() int { return strings.Count(b.kept.String(), "fact parked for too long") }
		b.looks(0)
		b.fake.Advance(5*time.Minute - time.Second)
		b.looks(100 * time.Millisecond)
		if n := told(); n != 0 {
			b.t.Errorf("told %d times a second before", n)
		}
		b.fake.Advance(time.Second)
		for range 3 {
			b.looks(200 * time.Millisecond)
		}
		b.tried("left alone", "a1", 1)
		if n := told(); n != 2 {
			b.t.Errorf("told %d times of two facts", n)
		}
		b.looks(time.Minute)
		if n := told(); n != 2 {
			b.t.Errorf("told %d times of two facts after another try", n)
		}
		if err := b.db.Update(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			p := Parked{Message: numbered("a1", "lots/a", 1), Consumer: "reader", DiscardTime: b.began, DiscardReason: "entered by hand"}
			done, err := Discard(ctx, tx, p)
			if !done {
				b.t.Error("it was not given up")
			}
			return err
		}); err != nil {
			b.t.Fatal(err)
		}
		b.looks(time.Minute + time.Second)
		if _, known := b.h["a1"]; known || len(b.h) != 1 {
			b.t.Errorf("what was given up is remembered: %v", b.h)
		}
	})
}

// What another consumer of the same database parked is its own; what took effect after all is in the log, and so is at once what waited for too long
// while no process was there.
func TestEachConsumerTriesItsOwn(t *testing.T) {
	benches(t, func(b *bench) {
		other := &worker{Consumer: Consumer{Durable: "another"}, db: b.db, clk: b.clk, log: b.log}
		if err := other.park(b.t.Context(), numbered("x1", "lots/a", 1), "early"); err != nil {
			b.t.Fatal(err)
		}
		b.parks(numbered("a1", "lots/a", 1), numbered("b1", "lots/b", 1))
		b.early["b1"] = true
		b.fake.Advance(time.Hour)
		b.looks(0)
		b.tried("of another consumer", "x1", 0)
		b.tried("of its own", "a1", 1)
		if left, err := b.left(); left != "x1b1" || err != nil {
			b.t.Errorf("%s wait: %v", left, err)
		}
		for words, want := range map[string]int{"parked fact took effect": 1, "event=a1": 1, "fact parked for too long": 1, "event=b1": 1, "event=x1": 0} {
			if n := strings.Count(b.kept.String(), words); n != want {
				b.t.Errorf("the log says %q %d times, want %d", words, n, want)
			}
		}
	})
}

// What is parked says why it can't take effect now: what was held behind another says its own reason once that is gone, without the stack of a panic,
// and a fact whose reason stays is not written.
func TestAParkedFactSaysItsNewestReason(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1), numbered("a2", "lots/a", 2), numbered("b1", "lots/b", 1))
		b.early["a2"], b.fails["b1"] = true, true
		says := func(want map[string]string) {
			b.t.Helper()
			if err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				parked, err := ParkedEvents(ctx, tx)
				for _, p := range parked {
					if p.Reason != want[p.ID] {
						b.t.Errorf("%s says %q, want %q", p.ID, p.Reason, want[p.ID])
					}
				}
				if len(parked) != len(want) {
					b.t.Errorf("%d wait, want %d", len(parked), len(want))
				}
				return err
			}); err != nil {
				b.t.Fatal(err)
			}
		}
		says(map[string]string{"a1": "early", "a2": "early", "b1": "early"})
		b.looks(0)
		says(map[string]string{"a2": "not yet: what a2 rests on is not here", "b1": "boom"})
		before := b.db.Changes()
		b.looks(40 * time.Second)
		b.tried("of the same reason", "b1", 2)
		if n := b.db.Changes() - before; n != 0 { // neither came as far as the store
			b.t.Errorf("%d changes for reasons that stayed", n)
		}
		b.early["a2"], b.fails["a2"] = false, true
		left, leave := context.WithCancel(b.t.Context())
		leave()
		_ = b.again(left, b.h, Parked{Message: numbered("a2", "lots/a", 2), Consumer: "reader"}, b.began.Add(80*time.Second))
		says(map[string]string{"a2": "not yet: what a2 rests on is not here", "b1": "boom"}) // the end of a process is no reason
		reason, err := Explain(b.t.Context(), b.db, Parked{Message: numbered("b1", "lots/b", 1), Consumer: "reader"}, errors.New("panic: so what\ngoroutine 7"))
		if reason != "panic: so what" || err != nil {
			b.t.Errorf("explained as %q, %v", reason, err)
		}
		says(map[string]string{"a2": "not yet: what a2 rests on is not here", "b1": "panic: so what"})
	})
}

// Where the parked facts can't be read, a look says so and forgets nothing.
func TestParkedFactsThatCantBeReadAreNotForgotten(t *testing.T) {
	benches(t, func(b *bench) {
		b.parks(numbered("a1", "lots/a", 1))
		b.fails["a1"] = true
		b.looks(0)
		rename := func(from, to string) {
			if err := b.db.Update(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, "ALTER TABLE "+from+" RENAME TO "+to)
				return err
			}); err != nil {
				b.t.Fatal(err)
			}
		}
		rename("parked_events", "away")
		if err := b.retryOnce(b.t.Context(), b.h, b.began.Add(time.Second)); err == nil {
			b.t.Error("no error")
		}
		rename("away", "parked_events")
		b.looks(29 * time.Second)
		b.tried("before half a minute", "a1", 1)
		b.looks(30 * time.Second)
		b.tried("after half a minute", "a1", 2)
	})
}
