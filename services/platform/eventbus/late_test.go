package eventbus_test

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// written is a log that tests read while it grows.
type written struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (w *written) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

// lines are those that say something.
func (w *written) lines(says string) (found []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for line := range strings.Lines(w.text.String()) {
		if strings.Contains(line, says) {
			found = append(found, line)
		}
	}
	return found
}

// Fault D8: a fact that came before what it rests on is told to those who keep watch when it has waited for five minutes, once, and its age is a number
// to watch; those behind it are not told of, and with it all is well again.
func TestAFactThatWaitsTooLongIsTold(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus, clk, kept := eventbustest.Embedded(t), clock.NewFake(now), &written{}
		var mu sync.Mutex
		parent, looks := false, 0
		handle := func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
			mu.Lock()
			defer mu.Unlock()
			if m.ID == "a1" {
				looks++
			}
			if m.Subject == "lots/a" && !parent {
				return nil, eventbus.NotYet("no parent of %s", m.ID)
			}
			return record(m.ID), nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() {
			c := eventbus.Consumer{Durable: "reader", Types: []string{"coldsection.stock.*"}, Handle: handle}
			if err := bus.Run(ctx, db, clk, slog.New(slog.NewTextHandler(kept, nil)), c); err != nil {
				t.Error(err)
			}
		})
		t.Cleanup(func() { cancel(); wg.Wait() })
		oldest := func() (seconds int64) {
			if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
				seconds, err = eventbus.OldestParked(ctx, tx)
				return err
			}); err != nil {
				t.Fatal(err)
			}
			return seconds
		}
		// looked waits until parked facts were gone through after this moment.
		looked := func() {
			mu.Lock()
			want := looks + 3
			mu.Unlock()
			for enough := false; !enough; {
				<-clock.System().After(5 * time.Millisecond)
				mu.Lock()
				enough = looks >= want
				mu.Unlock()
			}
		}
		if at := oldest(); at != 0 {
			t.Errorf("nothing is parked, the oldest since %d", at)
		}
		publish(t, bus, number("a1", "lots/a", 1, 0), number("a2", "lots/a", 2, 1))
		awaitParked(t, db, "a1", "a2")
		if at := oldest(); at != now.Unix() {
			t.Errorf("the oldest is parked since %d, want %d", at, now.Unix())
		}
		const says = "fact parked for too long"
		clk.Advance(5*time.Minute - time.Second)
		looked()
		if lines := kept.lines(says); len(lines) != 0 {
			t.Errorf("a second before: %q", lines)
		}
		clk.Advance(time.Second)
		looked()
		looked()
		lines := kept.lines(says)
		if len(lines) != 1 || !strings.Contains(lines[0], "level=ERROR") || !strings.Contains(lines[0], "event=a1") || !strings.Contains(lines[0], "no parent of a1") {
			t.Errorf("after five minutes: %q", lines)
		}
		mu.Lock()
		parent = true
		mu.Unlock()
		await(t, db, "a1", "a2")
		awaitParked(t, db)
		if at, lines := oldest(), kept.lines(says); at != 0 || len(lines) != 1 {
			t.Errorf("when all took effect, the oldest is parked since %d, and %q", at, lines)
		}
	})
}
