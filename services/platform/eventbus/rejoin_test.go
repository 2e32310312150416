package eventbus_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// stockReader is the consumer of other tests as it is known by name.
func stockReader() eventbus.Consumer {
	return eventbus.Consumer{Durable: "reader", Types: []string{"coldsection.stock.*"}, Handle: byID}
}

// teller is the part that tells facts of stock, whose database knows these and has sent them.
func teller(t *testing.T, known ...outbox.Event) eventbus.Teller {
	t.Helper()
	db := storagetest.SQLite(t, effects)
	told := eventbus.Teller{Part: "consumables", Types: []string{"coldsection.stock.*"}, DB: db}
	tells(t, told, known...)
	change(t, db, "UPDATE outbox SET sent_time = 1")
	return told
}

// tells has a part tell facts, which the test publishes itself.
func tells(t *testing.T, of eventbus.Teller, facts ...outbox.Event) {
	t.Helper()
	if err := of.DB.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return outbox.Append(ctx, tx, facts...) }); err != nil {
		t.Fatal(err)
	}
}

// rejoin brings a part back among a consumer of its facts, and says which facts it does not know any more.
func rejoin(t *testing.T, bus *eventbus.Bus, of eventbus.Teller, db *storage.DB) (lost []string, again int64) {
	t.Helper()
	facts, again, err := bus.Unknown(t.Context(), of)
	if err == nil {
		err = of.Believe(t.Context(), db, clock.System(), stockReader(), facts)
	}
	if err == nil {
		err = of.Rejoined(t.Context(), clock.System(), facts)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range facts {
		lost = append(lost, m.ID)
	}
	return lost, again
}

func behind(t *testing.T, bus *eventbus.Bus, of eventbus.Teller) string {
	t.Helper()
	why, err := bus.Behind(t.Context(), of)
	if err != nil {
		t.Fatal(err)
	}
	return why
}

// A part is put back to a time before it told a3, b1 and c1; the consumer was done with the first two. What the part tells under their numbers takes
// effect once it is among the others again, before it told anything and after. What it does not know any more stays where it took effect, and never
// does where it had not.
func TestAPartThatWasPutBackIsBelievedAgain(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		for _, started := range []bool{false, true} {
			t.Run(map[bool]string{false: "before it tells", true: "after it told"}[started], func(t *testing.T) {
				change(t, db, "DELETE FROM effects")
				change(t, db, "DELETE FROM processed_events")
				change(t, db, "DELETE FROM seen_versions")
				change(t, db, "DELETE FROM parked_events")
				bus := eventbustest.Embedded(t)
				part := teller(t, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2))
				stop := start(t, bus, db, byID)
				publish(t, bus, number("a1", "lots/a", 1, 0), number("a2", "lots/a", 2, 1))
				if why := behind(t, bus, part); why != "" {
					t.Errorf("a part that knows all is said to be behind: %s", why)
				}
				publish(t, bus, number("a3", "lots/a", 3, 2), number("b1", "lots/b", 1, 0))
				await(t, db, "a1", "a2", "a3", "b1")
				stop()
				publish(t, bus, number("c1", "lots/c", 1, 0))
				if why := behind(t, bus, part); !strings.Contains(why, "lots/c") {
					t.Errorf("a part that does not know its newest fact is behind: %q", why)
				}
				anew := []outbox.Event{number("x3", "lots/a", 3, 2), number("y1", "lots/b", 1, 0), number("z1", "lots/c", 1, 0)}
				want := []string{"a1", "a2", "a3", "b1"}
				if started {
					tells(t, part, anew...)
					publish(t, bus, anew...)
					stop = start(t, bus, db, byID)
					awaitParked(t, db, "x3", "y1", "z1")
					if why := parkedReason(t, db, "x3"); !strings.Contains(why, "coldsection rejoin") {
						t.Errorf("the reason names no way on: %s", why)
					}
					stop()
					want = append(want, "c1")
				}
				if lost, again := rejoin(t, bus, part, db); !slices.Equal(lost, []string{"a3", "b1", "c1"}) || again != 0 {
					t.Errorf("not known any more: %v, and %d leave again", lost, again)
				}
				if why := behind(t, bus, part); why != "" {
					t.Errorf("a part that is back is said to be behind: %s", why)
				}
				if !started {
					tells(t, part, anew...)
					publish(t, bus, anew...)
				}
				start(t, bus, db, byID)
				await(t, db, append(want, "x3", "y1", "z1")...)
				rejoin(t, bus, part, db)
				awaitParked(t, db)
			})
		}
	})
}

// A consumer whose database was put back is not offered again what it acknowledged once; it takes what it missed, in order, and nothing of a type that it
// began to hear later, before that.
func TestWhatAPartMissedTakesEffect(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		stop := start(t, bus, db, byID)
		publish(t, bus, number("a1", "lots/a", 1, 0), number("a2", "lots/a", 2, 1), number("a3", "lots/a", 3, 2), number("b1", "lots/b", 1, 0))
		await(t, db, "a1", "a2", "a3", "b1")
		stop()
		change(t, db, "DELETE FROM effects WHERE name IN ('a2', 'a3', 'b1')")
		change(t, db, "DELETE FROM processed_events WHERE event_id IN ('a2', 'a3', 'b1')")
		change(t, db, "DELETE FROM seen_versions WHERE subject = 'lots/b'")
		change(t, db, "UPDATE seen_versions SET version = 1")
		for range 2 { // they stay parked, so it may be asked again
			if n, err := bus.Missed(t.Context(), db, clock.System(), stockReader()); n != 3 || err != nil {
				t.Fatalf("missed %d facts, %v; want 3", n, err)
			}
		}
		awaitParked(t, db, "a2", "a3", "b1")
		start(t, bus, db, byID)
		awaitParked(t, db)
		await(t, db, "a1", "a2", "a3", "b1")

		later := stockReader()
		later.Durable = "later"
		change(t, db, "INSERT INTO consumed_types (consumer, type, whole) VALUES ('later', 'coldsection.stock.*', 0)")
		if n, err := bus.Missed(t.Context(), db, clock.System(), later); n != 0 || err != nil {
			t.Errorf("%d facts of before it listened are missed, %v", n, err)
		}
	})
}

// What a part told and an event stream that is new does not have leaves again.
func TestFactsThatTheStreamHasNotLeaveAgain(t *testing.T) {
	bus := eventbustest.Embedded(t)
	part := teller(t, issued("a1", "lots/a", 1), issued("a2", "lots/a", 2))
	publish(t, bus, number("a1", "lots/a", 1, 0))
	lost, again, err := bus.Unknown(t.Context(), part)
	if len(lost) != 0 || again != 1 || err != nil {
		t.Errorf("%v lost, %d leave again, %v; want one", lost, again, err)
	}
	n, err := outbox.NewRelay(part.DB, bus, clock.System(), 1, log).Once(t.Context())
	if n != 1 || err != nil {
		t.Errorf("%d left, %v", n, err)
	}
}

// A database that was put back says so until its part is among the others, also where it told nothing in the meantime.
func TestAPartThatWasPutBackWaits(t *testing.T) {
	bus := eventbustest.Embedded(t)
	part := teller(t)
	if err := part.DB.Update(t.Context(), eventbus.MarkPutBack); err != nil {
		t.Fatal(err)
	}
	if why := behind(t, bus, part); !strings.Contains(why, "put back") {
		t.Errorf("it starts as if nothing were: %q", why)
	}
	if lost, again := rejoin(t, bus, part, part.DB); len(lost) != 0 || again != 0 {
		t.Errorf("nothing was told: %v, %d", lost, again)
	}
	if why := behind(t, bus, part); why != "" {
		t.Error(why)
	}
}
