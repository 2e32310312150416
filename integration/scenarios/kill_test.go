package scenarios

import (
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite/story"
)

// The program is asked to end and started again between two calls, at several places: nothing is lost and nothing is done
// twice, so the story ends in the same facts.
func TestStoryGoesOnAfterRestarts(t *testing.T) {
	whole := whole(t)
	stage := harness.OneProcess(t)
	places := map[int]bool{}
	for i := 1; i <= 5; i++ {
		places[whole.Calls*i/6] = true
	}
	broken := play(t, stage, func(calls int) {
		if !places[calls] {
			return
		}
		delete(places, calls)
		if err := stage.Processes[0].Terminate(); err != nil {
			t.Errorf("the program ended badly when asked to end: %v", err)
		}
		stage.Processes[0].Again()
	})
	if len(places) > 0 {
		t.Errorf("%d restarts did not happen", len(places))
	}
	sameFacts(t, broken, whole)
}

// The only process is killed at ten random moments of the story, mostly in the middle of a call.
func TestStoryGoesOnAfterKills(t *testing.T) {
	whole := whole(t)
	kill(t, harness.OneProcess(t), 10, whole.Calls, func(out story.Outcome) { sameFacts(t, out, whole) })
}

// Any one of the ten processes is killed at random moments; its twin goes on with the work.
func TestDistributedStoryGoesOnAfterKills(t *testing.T) {
	whole := whole(t)
	kill(t, harness.Distributed(t), 10, whole.Calls, func(out story.Outcome) { sameFacts(t, out, whole) })
}

// kill plays the story while processes are killed and started again at random moments.
func kill(t *testing.T, stage *harness.Stage, kills, calls int, check func(story.Outcome)) {
	t.Helper()
	places := map[int]bool{}
	for len(places) < kills { // a quarter of the calls asks whether something happened by itself, and may not be needed
		places[1+rand.IntN(calls*3/4)] = true
	}
	t.Logf("kills after calls %v of %d", places, calls)
	var killing sync.WaitGroup
	out := play(t, stage, func(call int) {
		if !places[call] {
			return
		}
		delete(places, call)
		killing.Wait()
		killing.Go(func() {
			victim := stage.Processes[rand.IntN(len(stage.Processes))]
			<-clock.System().After(time.Duration(rand.IntN(15)) * time.Millisecond)
			victim.Kill()
			victim.Again()
		})
	})
	killing.Wait()
	if len(places) > 0 {
		t.Errorf("%d kills did not happen", len(places))
	}
	check(out)
}
