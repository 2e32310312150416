package eventbus

import (
	"errors"
	"strings"
	"sync"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Instances of a part that start at once have one name under which they may ask for its newest fact; each is told it, and none that there is nothing.
func TestInstancesThatStartAtOnceAreToldTheNewestFact(t *testing.T) {
	types := house[0].Publishes
	eachWay(t, func(t *testing.T, buses map[string]*Bus, _ *lines) {
		bus := buses["stores"]
		if m, err := bus.newest(t.Context(), types); err != nil || m.Source != "" {
			t.Errorf("of nothing: %v, %v", m, err)
		}
		for _, e := range []struct{ id, typ string }{
			{"s1", "coldsection.stock.issued.v1"}, {"s2", "coldsection.access.authorization.changed.v1"}, {"s3", "coldsection.stock.issued.v1"},
		} {
			if err := bus.Publish(t.Context(), told(e.id, e.typ)); err != nil {
				t.Fatal(err)
			}
		}
		if err := buses["work"].Publish(t.Context(), told("w1", "coldsection.workorder.step.completed.v1")); err != nil {
			t.Fatal(err)
		}
		for range 5 {
			var both sync.WaitGroup
			for range 2 {
				both.Go(func() {
					if m, err := bus.newest(t.Context(), types); err != nil || m.ID != "s3" {
						t.Errorf("told %q, %v", m.ID, err)
					}
				})
			}
			both.Wait()
		}
	})
}

// A reader that an instance left behind when it was killed, and that has read the newest fact, is none of who comes next: nothing is said until it is gone.
func TestAReaderThatIsLeftBehindTellsNothing(t *testing.T) {
	eachWay(t, func(t *testing.T, buses map[string]*Bus, _ *lines) {
		bus := buses["stores"]
		if err := bus.Publish(t.Context(), told("s1", "coldsection.stock.issued.v1")); err != nil {
			t.Fatal(err)
		}
		subjects, err := subjectsOf(house[0].Publishes)
		if err != nil {
			t.Fatal(err)
		}
		left, err := bus.stream.CreateConsumer(t.Context(), jetstream.ConsumerConfig{
			Name: bus.reader, FilterSubjects: subjects, DeliverPolicy: jetstream.DeliverLastPolicy, AckPolicy: jetstream.AckNonePolicy, MemoryStorage: true, Replicas: 1,
		})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := left.Next(); err != nil {
			t.Fatal(err)
		}
		if m, err := bus.last(t.Context(), subjects); !errors.Is(err, jetstream.ErrConsumerExists) {
			t.Errorf("told %q, %v", m.ID, err)
		}
		var asking sync.WaitGroup
		asking.Go(func() {
			if m, err := bus.newest(t.Context(), house[0].Publishes); err != nil || m.ID != "s1" {
				t.Errorf("told %q, %v", m.ID, err)
			}
		})
		if err := bus.stream.DeleteConsumer(t.Context(), bus.reader); err != nil {
			t.Error(err)
		}
		asking.Wait()
	})
}

// A part that was put back does not start where the stream can't say so either; of one that was not, nobody knows.
func TestAPartThatWasPutBackNeedsNoStreamToSaySo(t *testing.T) {
	bus := streamOf(t, 1)
	part := Teller{Part: "test", Types: []string{"coldsection.stock.*"}, DB: storagetest.SQLite(t, storage.Migrations{})}
	bus.conn.Close()
	if why, err := bus.Behind(t.Context(), part); why != "" || !fault.HasReason(err, "EVENT_STREAM_UNAVAILABLE") {
		t.Errorf("%q, %v", why, err)
	}
	if err := part.DB.Update(t.Context(), MarkPutBack); err != nil {
		t.Fatal(err)
	}
	if why, err := bus.Behind(t.Context(), part); !strings.Contains(why, "put back") || err != nil {
		t.Errorf("%q, %v", why, err)
	}
}

// Who goes through all facts is not told that these were all where the stream was slow to hand over more; facts that can't be read hold nobody up.
func TestAStreamThatHandsOverSomeIsNotTakenForAll(t *testing.T) {
	type page struct {
		ids  string
		next uint64
	}
	for name, c := range map[string]struct {
		pages []page
		want  string
		fails bool
	}{
		"all":                       {[]page{{"ab", 2}, {"c", 5}, {"", 5}}, "abc", false},
		"nothing":                   {[]page{{"", 5}}, "", false},
		"a page that can't be read": {[]page{{"a", 1}, {"", 3}, {"b", 4}, {"", 5}}, "ab", false},
		"silent in the middle":      {[]page{{"ab", 2}, {"", 2}}, "ab", true},
		"silent from the start":     {[]page{{"", 0}}, "", true},
	} {
		got, pages := "", c.pages
		err := walk(FeedQuery{Oldest: true}, 5, func(q FeedQuery) (facts []Message, next uint64, err error) {
			if q.Oldest != (len(pages) == len(c.pages)) {
				t.Errorf("%s: page %d is asked for from the oldest on: %v", name, len(c.pages)-len(pages), q.Oldest)
			}
			for _, id := range pages[0].ids {
				facts = append(facts, numbered(string(id), "lots/a", 1))
			}
			next, pages = pages[0].next, pages[1:]
			return facts, next, nil
		}, func(m Message) error { got += m.ID; return nil })
		if got != c.want || fault.HasReason(err, "EVENT_STREAM_UNAVAILABLE") != c.fails || (err != nil) != c.fails || len(pages) > 0 {
			t.Errorf("%s: went through %q, %v; %d pages are left", name, got, err, len(pages))
		}
	}
}

// A consumer that began to hear a type late hears nothing of before, also where a fact of another type has been parked since earlier.
func TestWhatIsParkedBringsNothingOfBeforeItListened(t *testing.T) {
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		bus := streamOf(t, 6) // f0, f2 and f4 of stock, f1, f3 and f5 of orders
		c := Consumer{Durable: "reader", Types: []string{"coldsection.stock.*", "coldsection.workorder.*"}}
		w := &worker{Consumer: c, db: db, clk: clock.System()}
		facts, _, err := bus.Feed(t.Context(), FeedQuery{Oldest: true, Limit: 10})
		if err != nil || len(facts) != 6 {
			t.Fatalf("%d facts, %v", len(facts), err)
		}
		for _, i := range []int{0, 2, 4} {
			if err := w.park(t.Context(), facts[i], "early"); err != nil {
				t.Fatal(err)
			}
		}
		if n, err := bus.Missed(t.Context(), db, clock.System(), c); n != 3 || err != nil {
			t.Errorf("%d facts are waited for, %v; want the three that are parked", n, err)
		}
		b := &bench{worker: w, t: t}
		if got, err := b.left(); got != "f0f2f4" || err != nil {
			t.Errorf("parked are %s, %v", got, err)
		}
	})
}
