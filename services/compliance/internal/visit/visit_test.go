package visit

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
)

var monday = civil.Date{Year: 2026, Month: 3, Day: 2}

// givenUp is what a bundle on a day gives up; false when something of it is late, or something left out is late before the next visit.
func givenUp(items []Item, in []bool, day civil.Date, w Window) (days int, ok bool) {
	for i, item := range items {
		switch {
		case item.Due.Before(w.Earliest):
		case in[i] && item.Due.Before(day), !in[i] && item.Due.Before(w.Next):
			return 0, false
		case in[i]:
			days += item.Due.Sub(day)
		}
	}
	return days, true
}

// Check PLN-06, against every bundle on every day: none that is never late gives up less.
func TestNoOtherBundleGivesUpLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := Window{Earliest: monday, Latest: monday.AddDays(rapid.IntRange(0, 10).Draw(t, "latest"))}
		w.Next = w.Latest.AddDays(rapid.IntRange(1, 20).Draw(t, "next"))
		var items []Item
		for i := range rapid.IntRange(0, 7).Draw(t, "items") {
			items = append(items, Item{Name: fmt.Sprint(i), Due: monday.AddDays(rapid.IntRange(-3, 40).Draw(t, "due"))})
		}
		got := Propose(items, w)
		for _, i := range got.Items {
			if i.Due.Before(got.Day) || i.Due.Before(w.Earliest) {
				t.Fatalf("%v is proposed on %s", i, got.Day)
			}
		}
		for _, i := range got.Earlier {
			if !i.Due.Before(w.Earliest) {
				t.Fatalf("%v is said to be due before %s", i, w.Earliest)
			}
		}
		for set := range 1 << len(items) {
			in := make([]bool, len(items))
			for i := range in {
				in[i] = set>>i&1 == 1
			}
			for day := w.Earliest; !w.Latest.Before(day); day = day.AddDays(1) {
				if days, ok := givenUp(items, in, day, w); ok && days < got.GivenUp {
					t.Fatalf("%v on %s gives up %d days, proposed are %d", in, day, days, got.GivenUp)
				}
			}
		}
	})
}

func TestThereMayBeNothingToDo(t *testing.T) {
	got := Propose([]Item{{Name: "a", Due: monday.AddDays(90)}}, Window{Earliest: monday, Latest: monday.AddDays(5), Next: monday.AddDays(30)})
	if !got.Day.IsZero() || len(got.Items) != 0 || got.Why != "Nothing is due from 2026-03-02 until before 2026-04-01." {
		t.Errorf("%+v", got)
	}
}

// What is past its soft life comes to the visit, never moves its day, and makes a visit where nothing else does (common practice, no source).
func TestWhatIsPastItsSoftLifeComesAlong(t *testing.T) {
	w := Window{Earliest: monday, Latest: monday.AddDays(5), Next: monday.AddDays(30)}
	soft := []Item{{Name: "s2", Soft: true}, {Name: "s1", Soft: true}}
	alone := Propose(soft, w)
	if alone.Day != w.Latest || len(alone.Items) != 2 || alone.Items[0].Name != "s1" || alone.GivenUp != 0 ||
		alone.Why != "Nothing is due from 2026-03-02 until before 2026-04-01; what is past its soft life is done at the visit." {
		t.Errorf("%+v", alone)
	}
	rapid.Check(t, func(t *rapid.T) {
		var items []Item
		for i := range rapid.IntRange(1, 5).Draw(t, "items") {
			items = append(items, Item{Name: fmt.Sprint(i), Due: monday.AddDays(rapid.IntRange(-3, 29).Draw(t, "due"))})
		}
		without, with := Propose(items, w), Propose(append(items, soft...), w)
		if len(without.Items) > 0 && (with.Day != without.Day || with.GivenUp != without.GivenUp) || len(with.Items) != len(without.Items)+2 || len(with.Earlier) != len(without.Earlier) {
			t.Fatalf("%+v, and with what is past a soft life %+v", without, with)
		}
	})
}

// What can't wait for the first possible day is said, soonest first, and what can wait for the next visit is left out; the day of each bound is of
// the window that it begins.
func TestWhatCantWaitIsSaid(t *testing.T) {
	w := Window{Earliest: monday, Latest: monday.AddDays(5), Next: monday.AddDays(30)}
	names := func(items []Item) (all string) {
		for _, i := range items {
			all += i.Name
		}
		return all
	}
	got := Propose([]Item{
		{Name: "d", Due: monday.AddDays(29)}, {Name: "b", Due: monday.AddDays(-1)}, {Name: "c", Due: monday}, {Name: "a", Due: monday.AddDays(-9)},
		{Name: "e", Due: monday.AddDays(30)},
	}, w)
	if names(got.Earlier) != "ab" || names(got.Items) != "cd" || got.Day != monday || got.GivenUp != 29 {
		t.Errorf("%+v", got)
	}
}
