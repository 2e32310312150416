package fitted_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/fitted"
	"coldsection.example/services/platform/fault"
)

var day = civil.Date{Year: 2025, Month: 6, Day: 10}

// swap is a at the left until the day, b from then on, and c at the right all along.
var swap = []fitted.Fitting{
	{Item: "a", Position: "left", To: day}, {Item: "b", Position: "left", From: day}, {Item: "c", Position: "right", From: day.AddDays(-100)},
}

// A flight counts for what was fitted on its day; on the day of a swap somebody must have told which (design rule).
func TestAFlightCountsForWhatWasFittedThen(t *testing.T) {
	for name, c := range map[string]struct {
		flight fitted.Flight
		want   []string
	}{
		"the day before":             {fitted.Flight{Day: day.AddDays(-1)}, []string{"a", "c"}},
		"the day after":              {fitted.Flight{Day: day.AddDays(1)}, []string{"b", "c"}},
		"the day itself, named":      {fitted.Flight{Day: day, Named: []string{"b"}}, []string{"b", "c"}},
		"the day itself, counted":    {fitted.Flight{Day: day, Counted: []string{"a", "c"}}, []string{"a", "c"}},
		"named wins over counted":    {fitted.Flight{Day: day, Named: []string{"b"}, Counted: []string{"a"}}, []string{"b", "c"}},
		"before the other was there": {fitted.Flight{Day: day.AddDays(-101)}, []string{"a"}},
	} {
		if got, err := fitted.Follow(swap, c.flight); err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, %v; want %v", name, got, err, c.want)
		}
	}
	for name, f := range map[string]fitted.Flight{"nothing told": {Day: day}, "both told": {Day: day, Named: []string{"a", "b"}}} {
		if _, err := fitted.Follow(swap, f); !fault.HasReason(err, "FITTING_AMBIGUOUS") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOverlapsShareMoreThanTheDayOfASwap(t *testing.T) {
	one := fitted.Fitting{From: day, To: day.AddDays(10)}
	for name, c := range map[string]struct {
		other fitted.Fitting
		want  bool
	}{
		"ends where it begins": {fitted.Fitting{To: day}, false}, "begins where it ends": {fitted.Fitting{From: day.AddDays(10)}, false},
		"within": {fitted.Fitting{From: day.AddDays(2), To: day.AddDays(3)}, true}, "around": {fitted.Fitting{}, true},
		"ends one day in": {fitted.Fitting{To: day.AddDays(1)}, true}, "long before": {fitted.Fitting{To: day.AddDays(-5)}, false},
	} {
		if one.Overlaps(c.other) != c.want || c.other.Overlaps(one) != c.want {
			t.Errorf("%s: not %t both ways", name, c.want)
		}
	}
}

// The order in which fittings are read never decides, and every place that was taken that day counts once.
func TestFollowDoesNotDependOnOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := fitted.Flight{Day: day.AddDays(rapid.IntRange(-120, 120).Draw(t, "day")), Named: []string{"b"}}
		want, err := fitted.Follow(swap, f)
		if err != nil {
			t.Fatal(err)
		}
		got, err := fitted.Follow(rapid.Permutation(swap).Draw(t, "order"), f)
		if err != nil || !slices.Equal(got, want) || len(got) == 0 || len(got) > 2 {
			t.Fatalf("%v, %v; want %v", got, err, want)
		}
	})
}

// The two that nobody can tell apart are named in order, whichever way round they were read.
func TestTheTwoThatWereThereAreNamed(t *testing.T) {
	for _, fittings := range [][]fitted.Fitting{swap, {swap[2], swap[1], swap[0]}} {
		_, err := fitted.Follow(fittings, fitted.Flight{Day: day})
		if f, ok := fault.As(err); !ok || f.Metadata["first"] != "a" || f.Metadata["second"] != "b" || !strings.Contains(f.Message, "at left: a and b were both there") {
			t.Errorf("%v", err)
		}
	}
}
