package scenarios

import (
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// The disk is full at every tenth call of the story, until the program refused something for it or a moment has passed: it refuses, lives on,
// and the story ends in the same facts as where there was always room.
func TestStoryGoesOnAfterTheDiskWasFull(t *testing.T) {
	whole := whole(t)
	stage := harness.OneProcess(t)
	program := stage.Processes[0]
	var filling sync.WaitGroup
	times, refused := 0, 0
	out := play(t, stage, func(call int) {
		if call%10 != 0 || call > whole.Calls*3/4 {
			return
		}
		filling.Wait()
		before := program.Logged("_UNAVAILABLE") + program.Logged("AUDIT_UNWRITTEN")
		room, err := program.FullDisk()
		if err != nil {
			t.Error(err)
			return
		}
		times++
		filling.Go(func() {
			defer room()
			for limit := clock.System().After(2 * time.Second); ; {
				if program.Logged("_UNAVAILABLE")+program.Logged("AUDIT_UNWRITTEN") > before {
					refused++
					return
				}
				select {
				case <-limit:
					return
				case <-clock.System().After(10 * time.Millisecond):
				}
			}
		})
	})
	filling.Wait()
	t.Logf("the disk was full %d times; %d times something was refused for it", times, refused)
	if refused < 3 {
		t.Errorf("the disk was full %d times, and only %d times something was refused", times, refused)
	}
	sameFacts(t, out, whole)
	everyStateWasTold(t, stage)
}
