package scenarios

import (
	"fmt"
	"maps"
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

func TestMain(m *testing.M) { harness.Main(m) }

// teller keeps the story for the log of a failed test.
type teller struct{ t *testing.T }

// Chapter starts a part of the story.
func (w teller) Chapter(title string) { w.t.Log(title) }

// Line tells one fact.
func (w teller) Line(format string, args ...any) { w.t.Log("  " + fmt.Sprintf(format, args...)) }

// play runs the story and checks that it ended as it must.
func play(t *testing.T, stage *harness.Stage, after func(calls int)) story.Outcome {
	t.Helper()
	out, err := story.New(story.Options{
		Conn: stage.Conn(t), FirstAdminToken: stage.Token(), Patience: time.Minute, After: after, SetClock: stage.SetClock,
	}, teller{t}).Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if out.Recovery != "RECOVERED" || out.DueAfter <= out.DueBefore || out.FeedEvents == 0 || out.WorkOrder == "" || out.Blend == "" {
		t.Errorf("the story ended with %+v", out)
	}
	return out
}

// original is the story in one process as it was told first, and the state that it left, which many tests begin with.
var original struct {
	once  sync.Once
	out   story.Outcome
	state string
}

// whole is how the story ends where nothing disturbs it.
func whole(t *testing.T) story.Outcome {
	t.Helper()
	original.once.Do(func() {
		stage := harness.OneProcess(t)
		out := play(t, stage, nil)
		if err := stage.Processes[0].Terminate(); err != nil {
			t.Fatal(err)
		}
		state := harness.Shared(t)
		harness.Copy(t, stage.State, state)
		original.out, original.state = out, state
	})
	if original.state == "" {
		t.Fatal("the story that this test begins after failed; another test says why")
	}
	return original.out
}

// retold is a suite in which the story was told, on a copy of the state that it left.
func retold(t *testing.T) (*harness.Stage, story.Outcome) {
	t.Helper()
	out := whole(t)
	return harness.OneProcessFrom(t, original.state), out
}

// sameFacts compares what two runs left behind: of every type they told the same number of facts. The story waits for what others do because
// of a fact wherever its next call could come to the same thing, so this does not depend on who was quicker.
func sameFacts(t *testing.T, got, want story.Outcome) {
	t.Helper()
	if !maps.Equal(got.Facts, want.Facts) || got.FeedEvents != want.FeedEvents || got.DueAfter != want.DueAfter || got.Recovery != want.Recovery {
		t.Errorf("this run ended with %+v, the other with %+v", got, want)
	}
}

// The same story in every way to run the suite ends in the same facts.
func TestStory(t *testing.T) {
	var first story.Outcome
	for _, mode := range harness.Modes {
		t.Run(mode.Name, func(t *testing.T) {
			out := play(t, mode.Open(t), nil)
			if first.FeedEvents == 0 {
				first = out
			}
			sameFacts(t, out, first)
		})
	}
}
