package eventbus_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// follows is a fact that says which version of its type it follows; 0 makes it the first.
func follows(e outbox.Event, previous int64) outbox.Event {
	if e.Previous = previous; previous == 0 {
		e.Previous = outbox.First
	}
	return e
}

// number is an issue about a lot with its version and the one before.
func number(id, subject string, version, previous int64) outbox.Event {
	return follows(issued(id, subject, version), previous)
}

// discard gives parked facts up.
func discard(t *testing.T, db *storage.DB, ids ...string) {
	t.Helper()
	err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		parked, err := eventbus.ParkedEvents(ctx, tx)
		for _, p := range parked {
			if p.DiscardTime, p.Discarder, p.DiscardReason = now, "accounts/admin", "entered by hand"; slices.Contains(ids, p.ID) && err == nil {
				if done, why := eventbus.Discard(ctx, tx, p); why != nil || !done {
					t.Errorf("%s given up: %v, %v", p.ID, done, why)
				}
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// awaitParked waits until these are parked.
func awaitParked(t *testing.T, db *storage.DB, want ...string) {
	t.Helper()
	for deadline := clock.System().After(20 * time.Second); ; {
		got := parkedIDs(t, db)
		if slices.Equal(got, want) {
			return
		}
		select {
		case <-deadline:
			t.Fatalf("parked %v, want %v", got, want)
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}

// Fault D7: a version that is left out holds what follows until it comes. Facts of other types between two of one are no gap.
func TestAVersionThatIsLeftOutIsWaitedFor(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		start(t, bus, db, byID)
		publish(t, bus, number("a1", "lots/a", 1, 0), number("a5", "lots/a", 5, 3), number("b2", "lots/b", 2, 1), number("c1", "lots/c", 1, 0),
			follows(fact("r2", "coldsection.stock.returned.v1", "lots/c", 2), 0), number("c3", "lots/c", 3, 1))
		await(t, db, "a1", "c1", "r2", "c3")
		awaitParked(t, db, "a5", "b2")
		if why := parkedReason(t, db, "a5"); !strings.Contains(why, "version 3 of lots/a") || !strings.Contains(why, "not yet") {
			t.Errorf("a5 is parked because: %s", why)
		}
		if why := parkedReason(t, db, "b2"); !strings.Contains(why, "version 1 of lots/b") {
			t.Errorf("b2 is parked because: %s", why)
		}
		publish(t, bus, number("a3", "lots/a", 3, 1))
		await(t, db, "a1", "c1", "r2", "c3", "a3", "a5")
		publish(t, bus, number("b1", "lots/b", 1, 0), number("a3", "lots/a", 3, 1), number("a1", "lots/a", 1, 0))
		await(t, db, "a1", "c1", "r2", "c3", "a3", "a5", "b1", "b2")
		awaitParked(t, db)
	})
}

// While an instance of an earlier release is at work beside, which remembers ids and no versions, what it was done with is not missing.
func TestWhatAnEarlierReleaseWasDoneWithIsNotMissing(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		start(t, bus, db, byID)
		publish(t, bus, number("a1", "lots/a", 1, 0))
		await(t, db, "a1")
		third, second := number("a3", "lots/a", 3, 2), number("b2", "lots/b", 2, 1)
		third.PreviousID, second.PreviousID = "a2", "b1"
		publish(t, bus, third, second)
		awaitParked(t, db, "a3", "b2")
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for _, id := range []string{"a2", "b1"} { // as an earlier release writes it
				if _, err := tx.Exec(ctx, "INSERT INTO processed_events (consumer, event_id, process_time) VALUES ('reader', $1, 1)", id); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		awaitEffects(t, db, 3)
		awaitParked(t, db)
	})
}

// What never comes is entered by hand: the fact that waits for it is given up, and later ones go on.
func TestWhoGivesAFactUpLetsLaterOnesGoOn(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		start(t, bus, db, byID)
		publish(t, bus, number("a1", "lots/a", 1, 0), number("a3", "lots/a", 3, 2), number("a4", "lots/a", 4, 3))
		awaitParked(t, db, "a3", "a4")
		discard(t, db, "a3")
		await(t, db, "a1", "a4")
		publish(t, bus, number("a2", "lots/a", 2, 1), number("a5", "lots/a", 5, 4))
		awaitParked(t, db, "a2", "a5") // a2 has no place any more, and what follows waits until somebody has seen it
		discard(t, db, "a2")
		await(t, db, "a1", "a4", "a5")
	})
}

// Fault D7: another fact under a version that took effect never does, whoever tries it; what follows goes on when it was given up.
func TestAVersionIsNotToldTwice(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		start(t, bus, db, byID)
		publish(t, bus, number("a1", "lots/a", 1, 0), number("a2", "lots/a", 2, 1), number("other", "lots/a", 2, 1), number("b1", "lots/b", 1, 0), issued("b9", "lots/b", 1),
			number("c1", "lots/c", 1, 0), number("c4", "lots/c", 4, 1), number("c3", "lots/c", 5, 3))
		await(t, db, "a1", "a2", "b1", "c1", "c4")
		awaitParked(t, db, "other", "b9", "c3")
		for id, says := range map[string]string{"other": "version 2 of lots/a", "b9": "version 1 of lots/b", "c3": "follows version 3"} {
			if why := parkedReason(t, db, id); !strings.Contains(why, says) || !strings.Contains(why, "contradicts") {
				t.Errorf("%s is parked because: %s", id, why)
			}
		}
		err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			parked, err := eventbus.ParkedEvents(ctx, tx)
			for _, p := range parked {
				if err := eventbus.Apply(t.Context(), db, clock.System(), eventbus.Consumer{Durable: "reader", Handle: byID}, p); err == nil || !strings.Contains(err.Error(), "contradicts") {
					t.Errorf("%s tried again: %v", p.ID, err)
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		publish(t, bus, number("a3", "lots/a", 3, 2))
		awaitParked(t, db, "other", "a3", "b9", "c3")
		discard(t, db, "other")
		await(t, db, "a1", "a2", "b1", "c1", "c4", "a3")
	})
}

// message is a fact as others may write it: without the id under which the stream drops repetitions, and with other headers.
func message(e outbox.Event, change map[string]string) *nats.Msg {
	m := nats.NewMsg("coldsection.v1.stock.issued")
	headers := map[string]string{
		"ce-id": e.ID, "ce-source": e.Source, "ce-specversion": "1.0", "ce-type": e.Type, "ce-subject": e.Subject, "ce-time": e.Time.Format(time.RFC3339Nano),
		"ce-subjectversion": strconv.FormatInt(e.Version, 10),
	}
	maps.Copy(headers, change)
	for name, value := range headers {
		m.Header.Set(name, value)
	}
	m.Data = e.Data
	return m
}

// Faults D5 and D7: the same fact again, however often, is nothing new; under its id, another one is kept with its bytes and why, and holds nothing up.
func TestAnIdIsNotToldTwice(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		url := external(t)
		bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(bus.Close)
		first, other, moved := number("a1", "lots/a", 1, 0), number("a1", "lots/a", 1, 0), number("a1", "lots/b", 1, 0)
		other.Data = []byte(`{"movement":"another"}`)
		publish(t, bus, first)
		for range 3 {
			strange(t, url, message(first, nil))
		}
		strange(t, url, message(other, nil), message(moved, nil), message(other, nil))
		publish(t, bus, number("a2", "lots/a", 2, 1))
		start(t, bus, db, byID)
		await(t, db, "a1", "a2")
		awaitParked(t, db, "stream-5", "stream-6", "stream-7")
		if why := parkedReason(t, db, "stream-5"); !strings.Contains(why, "a1 of consumables again, with other content") {
			t.Errorf("parked because: %s", why)
		}
		discard(t, db, "stream-5", "stream-6", "stream-7")
		awaitParked(t, db)
		await(t, db, "a1", "a2")
	})
}

// Fault D7: what a later release may write, and what is about nothing, is kept and not guessed at.
func TestFactsThatThisReleaseDoesNotKnowAreParked(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		url := external(t)
		bus, err := eventbus.Open(t.Context(), eventbus.Config{URL: url, Replicas: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(bus.Close)
		base := number("a1", "lots/a", 1, 0)
		changes := []map[string]string{
			{"ce-type": "coldsection.stock.issued.v2"}, {"ce-type": "coldsection.stock.returned.v1"}, {"ce-subject": ""}, {"ce-source": ""}, {"ce-specversion": "2.0"},
			{"ce-specversion": ""}, {"ce-subjectversion": "-1"}, {"ce-subjectversion": "two"}, {"ce-previousversion": "1"}, {"ce-previousversion": "x"},
		}
		var want []string
		for i, change := range changes {
			strange(t, url, message(base, change))
			want = append(want, fmt.Sprintf("stream-%d", i+1))
		}
		publish(t, bus, number("b1", "lots/b", 1, 0))
		start(t, bus, db, byID)
		await(t, db, "b1")
		slices.Sort(want)
		awaitParked(t, db, want...)
	})
}

// Two releases at work under one name: what the older one does not know waits for the newer one, and is not taken for something else.
func TestATypeThatAnOlderReleaseDoesNotKnowWaitsForTheNewer(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		release := func(name string, types ...string) (stop func()) {
			return listening(t, bus, db, eventbus.Consumer{Durable: "reader", Types: types, Handle: func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
				return record(name + " " + m.ID), nil
			}})
		}
		release("old", "coldsection.stock.issued.v1")
		publish(t, bus, number("a1", "lots/a", 1, 0))
		await(t, db, "old a1")
		stop := release("new", "coldsection.stock.issued.v1", "coldsection.stock.returned.v1")
		publish(t, bus, follows(fact("r1", "coldsection.stock.returned.v1", "lots/b", 1), 0))
		awaitEffects(t, db, 2)
		stop()
		publish(t, bus, follows(fact("r2", "coldsection.stock.returned.v1", "lots/c", 1), 0))
		awaitParked(t, db, "r2")
		if why := parkedReason(t, db, "r2"); !strings.Contains(why, "knows no facts of the type coldsection.stock.returned.v1") {
			t.Errorf("parked because: %s", why)
		}
		release("new", "coldsection.stock.issued.v1", "coldsection.stock.returned.v1")
		await(t, db, "old a1", "new r1", "new r2")
	})
}

// A consumer that begins to listen to a type has not missed what came before, and neither has one that was at work before versions were remembered.
func TestATypeThatIsHeardFromNowOnHasNoGap(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		const issues, returns = "coldsection.stock.issued.v1", "coldsection.stock.returned.v1"
		back := func(id string, version, previous int64) outbox.Event {
			return follows(fact(id, returns, "lots/a", version), previous)
		}
		hear := func(types ...string) (stop func()) {
			return listening(t, bus, db, eventbus.Consumer{Durable: "reader", Types: types, Handle: byID})
		}
		publish(t, bus, number("a1", "lots/a", 1, 0), back("r2", 2, 0), number("a3", "lots/a", 3, 1))
		stop := hear(issues)
		await(t, db, "a1", "a3")
		stop()
		stop = hear(issues, returns)
		publish(t, bus, back("r4", 4, 2), back("r6", 6, 5))
		await(t, db, "a1", "a3", "r4")
		awaitParked(t, db, "r6")
		discard(t, db, "r6")
		stop()
		stop = hear(issues) // for a while it does not hear of returns
		publish(t, bus, back("r7", 7, 6), number("a8", "lots/a", 8, 3))
		await(t, db, "a1", "a3", "r4", "a8")
		stop()
		hear(issues, returns)
		publish(t, bus, back("r9", 9, 7))
		await(t, db, "a1", "a3", "r4", "a8", "r9")
	})
}

// It is the same where a release names a type and the one before or after it an area: what was not heard meanwhile is not missing.
func TestATypeThatWasHeardAsPartOfAnAreaHasNoGap(t *testing.T) {
	const issues, returns, area = "coldsection.stock.issued.v1", "coldsection.stock.returned.v1", "coldsection.stock.*"
	for name, releases := range map[string][3][]string{"an area before": {{area}, {issues}, {issues, returns}}, "an area after": {{issues, returns}, {issues}, {area}}} {
		storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
			bus := eventbustest.Embedded(t)
			back := func(id string, version, previous int64) outbox.Event {
				e := follows(fact(id, returns, "lots/a", version), previous)
				e.PreviousID = fmt.Sprintf("r%d", previous)
				return e
			}
			for i, facts := range [][]outbox.Event{{number("a1", "lots/a", 1, 0), back("r2", 2, 0)}, {back("r3", 3, 2), number("a4", "lots/a", 4, 1)}, {back("r5", 5, 3)}} {
				stop := listening(t, bus, db, eventbus.Consumer{Durable: "reader", Types: releases[i], Handle: byID})
				publish(t, bus, facts...)
				await(t, db, []string{"a1", "r2", "a4", "r5"}[:i+2]...)
				stop()
			}
			if left := parkedIDs(t, db); len(left) > 0 {
				t.Errorf("%s: parked %v", name, left)
			}
		})
	}
}

// Two instances take facts that come out of order in their order, each once.
func TestTwoInstancesWaitForWhatIsLeftOut(t *testing.T) {
	db := storagetest.Postgres(t, effects)
	bus := eventbustest.Embedded(t)
	start(t, bus, db, byID)
	start(t, bus, db, byID)
	var want []string
	var late []outbox.Event
	for i := range int64(24) {
		e := number(fmt.Sprintf("a%02d", i), "lots/a", i+1, i)
		want = append(want, e.ID)
		if i%6 == 2 {
			late = append(late, e)
			continue
		}
		publish(t, bus, e)
	}
	slices.Reverse(late)
	publish(t, bus, late...)
	await(t, db, want...)
	awaitParked(t, db)
}
