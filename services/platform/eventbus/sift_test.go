package eventbus

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
)

// streamOf opens a stream of its own with so many facts: the even ones about lots/a, the odd ones about lots/b and of another type.
func streamOf(t *testing.T, count int) *Bus {
	t.Helper()
	bus, err := Open(t.Context(), Config{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	for i := range count {
		tell(t, bus, i)
	}
	return bus
}

func tell(t *testing.T, bus *Bus, i int) {
	t.Helper()
	typ := []string{"coldsection.stock.issued.v1", "coldsection.workorder.started.v1"}[i%2]
	e := outbox.Event{
		ID: fmt.Sprintf("f%d", i), Source: "test", Type: typ, Subject: []string{"lots/a", "lots/b"}[i%2], Version: int64(i/2 + 1),
		Time: clock.System().Now(), Data: []byte("{}"),
	}
	if err := bus.Publish(context.WithoutCancel(t.Context()), e); err != nil {
		t.Error(err)
	}
}

// What may not be read is passed over, and the place moves on past it, in pages of any size.
func TestFactsThatMayNotBeReadArePassedOver(t *testing.T) {
	bus := streamOf(t, 21)
	for name, q := range map[string]FeedQuery{
		"by type":    {May: func(typ string) bool { return strings.Contains(typ, ".stock.") }},
		"by subject": {Subject: "lots/a"},
		"by both":    {Subject: "lots/*", May: func(typ string) bool { return strings.Contains(typ, ".stock.") }},
	} {
		for _, limit := range []int{1, 4, 100} {
			var got []string
			for q.Limit, q.After = limit, 0; ; {
				page, next, err := bus.Feed(t.Context(), q)
				if err != nil {
					t.Fatal(err)
				}
				if len(page) > limit {
					t.Errorf("%s: a page of %d has %d facts", name, limit, len(page))
				}
				for _, m := range page {
					got = append(got, m.ID)
				}
				if next == q.After {
					break
				}
				q.After = next
			}
			if want := strings.Fields("f0 f2 f4 f6 f8 f10 f12 f14 f16 f18 f20"); !slices.Equal(got, want) || q.After != 21 {
				t.Errorf("%s in pages of %d: %v up to %d", name, limit, got, q.After)
			}
		}
	}
}

// Of a long stream of which nothing is asked for, each answer comes after so many facts and says how far it looked.
func TestAnAnswerLooksAtSoManyFactsAndSaysHowFar(t *testing.T) {
	bus := streamOf(t, 21)
	for q := (FeedQuery{Subject: "lots/none", Limit: 5, most: 8}); q.After < 21; {
		page, next, err := bus.Feed(t.Context(), q)
		if err != nil || len(page) != 0 || next != min(q.After+8, 21) {
			t.Fatalf("after %d: %d facts up to %d, %v", q.After, len(page), next, err)
		}
		q.After = next
	}
}

// Whoever waits for a fact about one thing is answered in time, however much happens to others meanwhile.
func TestAWaitEndsInTimeWhileOthersAreBusy(t *testing.T) {
	bus := streamOf(t, 2) // one fact about another thing is there already, however slow the disk is
	busy, rest := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for i := 2; busy.Err() == nil; i++ {
			tell(t, bus, i)
		}
	}()
	patience, cancel := context.WithTimeout(t.Context(), 30*time.Second) // before, it waited anew after each fact
	facts, next, err := bus.Feed(patience, FeedQuery{After: 1, Subject: "lots/none", Limit: 5, Wait: 300 * time.Millisecond})
	cancel()
	rest()
	<-ended
	if err != nil || len(facts) != 0 || next <= 1 {
		t.Errorf("%d facts up to %d, %v", len(facts), next, err)
	}
}

// Types that hold one another are asked for once; what would mean something else to an event server is no type.
func TestTypesAreToldApart(t *testing.T) {
	for _, c := range []struct{ types, want string }{
		{"", "coldsection.v1.>"}, {"coldsection.*", "coldsection.v1.>"},
		{"coldsection.stock.* coldsection.stock.issued.v1 coldsection.stock.*", "coldsection.v1.stock.>"},
		{"coldsection.stock.lot.* coldsection.* coldsection.workorder.started.v1", "coldsection.v1.>"},
		{"coldsection.stock.lot.* coldsection.stock.*", "coldsection.v1.stock.>"},
		{"coldsection.stock.lot.* coldsection.stocks.*", "coldsection.v1.stock.lot.> coldsection.v1.stocks.>"},
	} {
		if got, err := subjectsOf(strings.Fields(c.types)); err != nil || strings.Join(got, " ") != c.want {
			t.Errorf("%s: %v, %v", c.types, got, err)
		}
	}
	for _, wrong := range []string{
		"coldsection.stock..*", "coldsection..stock.*", "coldsection.stock..issued.v1", "coldsection.stock.\tissued.v1", "coldsection.*.issued.v1",
		"coldsection.stock.*.*", "coldsection.Stock.*", "coldsection.stöck.*", "coldsection.stock.\x00.v1", "coldsection.v1", ".*", "",
	} {
		if _, err := subjectsOf([]string{wrong}); !fault.HasReason(err, "EVENT_TYPE_INVALID") {
			t.Errorf("%q: %v", wrong, err)
		}
	}
	bus := streamOf(t, 3)
	if facts, _, err := bus.Feed(t.Context(), FeedQuery{Types: []string{"coldsection.stock.*", "coldsection.*"}, Limit: 10}); err != nil || len(facts) != 3 {
		t.Errorf("%d facts, %v", len(facts), err)
	}
}
