package eventbus_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage/storagetest"
)

// A disk that is full lets no fact be published; when there is room again, the stream goes on by itself, and every fact that it acknowledged
// is there once.
func TestTheStreamGoesOnAfterTheDiskWasFull(t *testing.T) {
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	var kept []string
	n := 0
	next := func() error {
		n++
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		id := fmt.Sprintf("f%03d", n)
		e := issued(id, "lots/a", int64(n))
		e.Data = fmt.Appendf(nil, `{"movement":%q}`, strings.Repeat("x", 20<<10))
		err := bus.Publish(ctx, e)
		if err == nil {
			kept = append(kept, id)
		}
		return err
	}
	for round := range 3 {
		for range 10 {
			if err := next(); err != nil {
				t.Fatal(err)
			}
		}
		room := storagetest.FullDisk(t)
		failed := false
		for range 20 {
			failed = failed || next() != nil
		}
		room()
		if !failed {
			t.Errorf("round %d: nothing failed on a full disk", round)
		}
		began := clock.System().Now()
		for limit := clock.System().After(time.Minute); next() != nil; {
			select {
			case <-limit:
				t.Fatal("the stream does not go on")
			case <-clock.System().After(50 * time.Millisecond):
			}
		}
		t.Logf("goes on after %v", clock.System().Now().Sub(began))
	}
	facts, _, err := bus.Feed(t.Context(), eventbus.FeedQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]int{}
	for _, f := range facts {
		there[f.ID]++
	}
	for _, id := range kept {
		if there[id] != 1 {
			t.Errorf("%s was acknowledged and is there %d times", id, there[id])
		}
	}
}
