package motoring_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/workorders/internal/motoring"
)

var (
	zero = time.Date(2026, 9, 9, 6, 0, 0, 0, time.UTC)
	duty = []motoring.Duty{{30 * time.Second, time.Minute}, {30 * time.Second, time.Minute}, {30 * time.Second, 30 * time.Minute}}
)

func run(start, end int) motoring.Run {
	return motoring.Run{Start: zero.Add(time.Duration(start) * time.Second), End: zero.Add(time.Duration(end) * time.Second)}
}

// The list 30/60/30/60/30 then 30 minutes (case S02): runs at 0, 90, 180, 2010 s are allowed, and not a second earlier.
func TestRunsAgainstTheList(t *testing.T) {
	var before []motoring.Run
	for _, start := range []int{0, 90, 180, 2010, 2100} {
		if len(before) > 0 {
			if why := motoring.Check(duty, before, run(start-1, start+20)); why == "" {
				t.Errorf("a run at %d s was allowed", start-1)
			}
		}
		if why := motoring.Check(duty, before, run(start, start+30)); why != "" {
			t.Errorf("a run at %d s: %s", start, why)
		}
		before = append(before, run(start, start+30))
	}
	if why := motoring.Check(duty, nil, run(0, 31)); why == "" {
		t.Error("31 s were allowed")
	}
	if l := motoring.After(duty, before[:3]); !l.Next.Equal(zero.Add(2010*time.Second)) || l.Series != 3 {
		t.Errorf("limits %+v", l)
	}
}

func TestALongRestStartsTheListAgain(t *testing.T) {
	before := []motoring.Run{run(0, 30), run(90, 120)}
	if l := motoring.After(duty, append(before, run(4000, 4030))); l.Series != 1 {
		t.Errorf("limits %+v", l)
	}
}

// A rest that is as long as the longest is a long rest; a second less is not.
func TestARestAsLongAsTheLongestStartsTheListAgain(t *testing.T) {
	for start, want := range map[int]int{1830: 1, 1829: 2, 1831: 1} {
		if l := motoring.After(duty, []motoring.Run{run(0, 30), run(start, start+30)}); l.Series != want {
			t.Errorf("a second run after %d s of rest is number %d, want %d", start-30, l.Series, want)
		}
	}
}

func TestOverlaps(t *testing.T) {
	before := []motoring.Run{run(0, 30)}
	if !motoring.Overlaps(before, run(29, 40)) || motoring.Overlaps(before, run(30, 40)) {
		t.Error("the end of a run belongs to it only up to its instant")
	}
}

// A run that is entered after a later one is judged by those before it, and by the rest that it left for the later one.
func TestRunsEnteredOutOfOrder(t *testing.T) {
	if why := motoring.Check(duty, []motoring.Run{run(180, 210)}, run(90, 120)); why != "" {
		t.Errorf("a minute of rest was left: %s", why)
	}
	if why := motoring.Check(duty, []motoring.Run{run(180, 210)}, run(91, 121)); why == "" {
		t.Error("59 s of rest were left")
	}
	if why := motoring.Check(duty, []motoring.Run{run(0, 30), run(180, 210)}, run(89, 119)); why == "" {
		t.Error("it started 1 s too early")
	}
}

// A run that came too early and lasted too long is told as both: what it lasted is what the starter is looked at for.
func TestARunThatBreaksBothLimits(t *testing.T) {
	why := motoring.Check(duty, []motoring.Run{run(0, 30)}, run(40, 110))
	if !strings.Contains(why, "lasted 1m10s, longer than 30s") || !strings.Contains(why, "started 50s too early") {
		t.Errorf("it told %q", why)
	}
}

// A run that is entered late moves the later ones up the list, where they may have to be shorter: that is told, too, and what was
// broken without it is not told again. A run of an earlier job tells nothing of what that job did later.
func TestARunEnteredLateMakesALaterOneTooLong(t *testing.T) {
	shrinking := []motoring.Duty{{40 * time.Second, time.Minute}, {30 * time.Second, time.Minute}, {20 * time.Second, 30 * time.Minute}}
	later := []motoring.Run{run(200, 240)}
	if why := motoring.Check(shrinking, later, run(0, 30)); !strings.Contains(why, "06:03:20") || !strings.Contains(why, "lasted 40s, longer than 30s") {
		t.Errorf("it told %q", why)
	}
	if why := motoring.Check(shrinking, []motoring.Run{run(200, 241)}, run(-2000, -1980)); why != "" {
		t.Errorf("what broke the list anyway: %s", why)
	}
	if why := motoring.Leaves(shrinking, later, run(0, 30), later[0].Start.Add(time.Second)); why != "" {
		t.Errorf("a run before the job: %s", why)
	}
	if why := motoring.Leaves(shrinking, later, run(150, 160), zero); !strings.Contains(why, "too early") {
		t.Errorf("40 s of rest were left: %q", why)
	}
}

// In whatever order runs are entered, one of them is an exceedance if one is when they are entered as they happened.
func TestNoOrderOfEntriesHidesAnExceedance(t *testing.T) {
	lists := [][]motoring.Duty{duty, {{40 * time.Second, time.Minute}, {30 * time.Second, 2 * time.Minute}, {20 * time.Second, 10 * time.Minute}}, {{30 * time.Second, 5 * time.Minute}}}
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SampledFrom(lists).Draw(t, "list")
		var runs []motoring.Run
		for at := 0; len(runs) < 6; {
			at += rapid.SampledFrom([]int{1, 59, 60, 61, 120, 299, 300, 600, 1800}).Draw(t, "rest")
			end := at + rapid.SampledFrom([]int{1, 19, 20, 21, 30, 31, 40}).Draw(t, "length")
			runs = append(runs, run(at, end))
			at = end
		}
		asTheyHappened := told(list, runs)
		if shuffled := told(list, rapid.Permutation(runs).Draw(t, "entered")); shuffled < min(1, asTheyHappened) {
			t.Fatalf("%d exceedances as they happened, %d as they were entered: %v", asTheyHappened, shuffled, runs)
		}
	})
}

// told counts the exceedances of runs that are entered in this order.
func told(list []motoring.Duty, runs []motoring.Run) (n int) {
	for i, r := range runs {
		if motoring.Check(list, runs[:i], r) != "" {
			n++
		}
	}
	return n
}

// Without limits nothing is judged good.
func TestWithoutLimitsNoRunIsGood(t *testing.T) {
	if why := motoring.Check(nil, nil, run(0, 1)); why == "" {
		t.Error("judged good without limits")
	}
}

// A start of the engine is a run of the starter, as long as the first of the list may be and not longer than the engine ran.
func TestAStartOfTheEngineTakesTheStarter(t *testing.T) {
	for _, c := range []struct{ engine, want motoring.Run }{{run(0, 120), run(0, 30)}, {run(0, 30), run(0, 30)}, {run(5, 12), run(5, 12)}} {
		if got := motoring.StartOf(duty, c.engine); got != c.want {
			t.Errorf("%v: %v, want %v", c.engine, got, c.want)
		}
	}
	if got := motoring.StartOf(nil, run(0, 120)); got != run(0, 120) {
		t.Errorf("without a list: %v", got)
	}
}

// The limit is kept to the second; without wetting or limit nothing is broken.
func TestTheDryingLimit(t *testing.T) {
	wetted := zero
	for _, c := range []struct {
		wetted time.Time
		limit  time.Duration
		start  int
		broken bool
	}{{wetted, time.Hour, 3600, false}, {wetted, time.Hour, 3601, true}, {time.Time{}, time.Hour, 9999, false}, {wetted, 0, 9999, false}} {
		if got := motoring.Dry(c.wetted, c.limit, run(c.start, c.start+120)); (got != "") != c.broken {
			t.Errorf("%+v: %q", c, got)
		}
	}
}

// Where later runs of the list are shorter, a run after the longest rest may last as long as the first again, and one a second sooner not: the list is
// that of case S02 with other lengths.
func TestALongRestGivesTheFirstLengthBack(t *testing.T) {
	shorter := []motoring.Duty{{30 * time.Second, time.Minute}, {20 * time.Second, time.Minute}, {10 * time.Second, 30 * time.Minute}}
	for start, want := range map[int]string{1830: "", 1829: "lasted 30s, longer than 20s", 90: "lasted 30s, longer than 20s"} {
		if got := motoring.Check(shorter, []motoring.Run{run(0, 30)}, run(start, start+30)); got != want {
			t.Errorf("30 s that began %d s after the first run: %q, want %q", start-30, got, want)
		}
	}
	if l := motoring.After(shorter, nil); !l.Next.IsZero() || l.Max != 30*time.Second || l.Series != 0 || l.Binding != "a run may last 30s" {
		t.Errorf("before any run: %+v", l)
	}
	if l := motoring.After(nil, []motoring.Run{run(0, 30)}); l != (motoring.Limits{Binding: "no starter profile is entered"}) {
		t.Errorf("without a list: %+v", l)
	}
	if left := motoring.Leaves(nil, []motoring.Run{run(31, 60)}, run(0, 30), zero); left != "" {
		t.Errorf("without a list a run leaves nothing: %q", left)
	}
}

// A list may name its longest rest in the middle: a rest as long as its last one, which is shorter, does not do away with the long one. Nor does the very
// rest that is due give the length of the first run back, where all rests are as long; a longer one does.
func TestAShortLastRestDoesNotBeginTheListAgain(t *testing.T) {
	middle := []motoring.Duty{{30 * time.Second, time.Minute}, {30 * time.Second, 30 * time.Minute}, {30 * time.Second, time.Minute}}
	runs := []motoring.Run{run(0, 30), run(90, 120)}
	if l := motoring.After(middle, runs); !l.Next.Equal(zero.Add(1920*time.Second)) || l.Series != 2 {
		t.Errorf("after two runs: %+v", l)
	}
	if why := motoring.Check(middle, runs, run(180, 210)); !strings.Contains(why, "started 29m0s too early") {
		t.Errorf("60 s after the second run: %q", why)
	}
	equal := []motoring.Duty{{40 * time.Second, time.Minute}, {20 * time.Second, time.Minute}}
	for start, want := range map[int]string{100: "lasted 40s, longer than 20s", 101: ""} {
		if why := motoring.Check(equal, []motoring.Run{run(0, 40)}, run(start, start+40)); why != want {
			t.Errorf("40 s at %d s: %q, want %q", start, why, want)
		}
	}
	if l := motoring.After(equal, []motoring.Run{run(0, 40), run(100, 120)}); l.Max != 40*time.Second || l.Series != 2 {
		t.Errorf("at the end of the list: %+v", l)
	}
}
