package points_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/points"
)

var first = civil.Date{Year: 2024, Month: 1, Day: 1}

func date(t *rapid.T, label string) civil.Date {
	n := rapid.IntRange(-1, 900).Draw(t, label)
	if n < 0 {
		return civil.Date{}
	}
	return first.AddDays(n)
}

func limitOf(t *rapid.T) due.Limit {
	l := due.Limit{Unit: due.Unit(rapid.IntRange(1, 7).Draw(t, "unit")), Amount: rapid.Int64Range(1, 1<<40).Draw(t, "amount")}
	switch {
	case l.Unit == due.FixedDate:
		l.Fixed = first.AddDays(rapid.IntRange(0, 900).Draw(t, "fixed"))
	case l.Unit.Calendar():
		l.Amount = l.Amount%60 + 1
	default:
		l.SinceNew = rapid.Bool().Draw(t, "since new")
	}
	return l
}

func tree(t *rapid.T, depth int) (out due.Tree) {
	out.Later = rapid.Bool().Draw(t, "later")
	for range rapid.IntRange(1, 3).Draw(t, "limits") {
		out.Limits = append(out.Limits, limitOf(t))
	}
	if depth > 0 && rapid.Bool().Draw(t, "nested") {
		out.Trees = append(out.Trees, tree(t, depth-1))
	}
	return out
}

func counters(t *rapid.T) due.Counters {
	n := rapid.Int64Range(0, 1<<40)
	return due.Counters{Seconds: n.Draw(t, "seconds"), Cycles: n.Draw(t, "cycles"), Starts: n.Draw(t, "starts")}
}

func point(t *rapid.T) points.Point {
	bands := []due.Band{due.Current, due.Near, due.Due, due.Overdue, due.Exempt, due.NoData, due.InTolerance, due.Attention}
	p := points.Point{
		Requirement: "requirements/" + rapid.String().Draw(t, "requirement"), Counted: rapid.Bool().Draw(t, "counted"), Soft: rapid.Bool().Draw(t, "soft"),
		Lowered: rapid.Bool().Draw(t, "lowered"), Told: points.Told{Band: rapid.SampledFrom(bands).Draw(t, "band"), Date: date(t, "told"), Row: rapid.Uint64().Draw(t, "row")},
	}
	if p.Counted {
		p.Tree, p.Base = tree(t, 2), due.Base{Date: first.AddDays(rapid.IntRange(0, 900).Draw(t, "base")), Counters: counters(t)}
		p.Threshold = due.Threshold{Days: 30, Seconds: rapid.Int64Range(0, 1<<30).Draw(t, "near"), Cycles: 25}
		p.Extension = due.Extension{Seconds: rapid.Int64Range(0, 1<<20).Draw(t, "more"), Cycles: 3, Days: 2, Stop: date(t, "stop")}
		p.Fitted, p.Past = date(t, "fitted"), date(t, "past")
	}
	return p
}

func drawn(t *rapid.T) points.Points {
	p := points.Points{Rules: rapid.String().Draw(t, "rules"), Since: date(t, "since"), Until: date(t, "until"), Items: []points.Point{}}
	for range rapid.IntRange(0, 5).Draw(t, "items") {
		p.Set(point(t))
	}
	return p
}

func TestWhatIsWrittenIsReadAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t)
		got, err := points.Decode(p.Encode())
		if err != nil || !reflect.DeepEqual(got, p) {
			t.Fatalf("got %+v, %v; want %+v", got, err, p)
		}
		if rules := points.RulesOf(p.Encode()); rules != p.Rules {
			t.Fatalf("of %q, want %q", rules, p.Rules)
		}
	})
}

// Where other items were, items are read as where nothing was.
func TestPlacesAreUsedAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		was, p := drawn(t), drawn(t)
		got, err := points.DecodeInto(was.Items, p.Encode())
		if err != nil || !reflect.DeepEqual(got, p) {
			t.Fatalf("got %+v, %v; want %+v", got, err, p)
		}
	})
}

// Some items are read as they are among all, and none that was not asked for.
func TestSomeItemsAreReadAsAmongAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t)
		want := p
		want.Items = []points.Point{}
		asked := []string{"requirements/of none"}
		for _, item := range p.Items {
			if rapid.Bool().Draw(t, "asked") {
				asked, want.Items = append(asked, item.Requirement), append(want.Items, item)
			}
		}
		got, err := points.DecodeSome(p.Encode(), asked)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, %v; want %+v", got, err, want)
		}
	})
}

// Items that are asked for in their order are the same as when each is looked up.
func TestAWalkFindsWhatIsLookedUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t)
		asked := rapid.SliceOfDistinct(rapid.SampledFrom([]string{"a", "requirements/", "requirements/~", "z"}), rapid.ID[string]).Draw(t, "others")
		for _, item := range p.Items {
			if rapid.Bool().Draw(t, "asked") {
				asked = append(asked, item.Requirement)
			}
		}
		slices.Sort(asked)
		walk := p.Walk()
		for _, name := range slices.Compact(asked) {
			if got, want := walk.To(name), p.Of(name); got != want {
				t.Fatalf("%q: %v, want %v", name, got, want)
			}
		}
		none := (*points.Points)(nil).Walk()
		if got := none.To("a"); got != nil {
			t.Fatalf("%v", got)
		}
	})
}

// Bytes of another layout, cut short or with more behind are refused, so that history is read; no bytes make it fail otherwise.
func TestWhatIsNotWhollyReadableIsRefused(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawn(t).Encode()
		cut := rapid.IntRange(0, len(b)-1).Draw(t, "cut")
		if _, err := points.Decode(b[:cut]); err == nil {
			t.Fatalf("%d of %d bytes pass", cut, len(b))
		}
		if _, err := points.Decode(append(b, 0)); err == nil {
			t.Fatal("a byte more passes")
		}
		if _, err := points.Decode(append([]byte{b[0] + 1}, b[1:]...)); err == nil {
			t.Fatal("another layout passes")
		}
		if rules := points.RulesOf(append([]byte{b[0] + 1}, b[1:]...)); rules != "" || points.RulesOf(nil) != "" {
			t.Fatalf("another layout tells of rules %q", rules)
		}
		b[cut] ^= byte(1 << rapid.IntRange(0, 7).Draw(t, "bit"))
		_, _ = points.Decode(b) // may be other points, must not panic
	})
}

// Whatever the order in which items are put in, each is found, the last of a requirement alone, and they are kept by requirement.
func TestItemsAreFoundByRequirement(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p points.Points
		want := map[string]points.Point{}
		for range rapid.IntRange(0, 30).Draw(t, "items") {
			item := points.Point{Requirement: fmt.Sprint(rapid.IntRange(0, 20).Draw(t, "requirement")), Told: points.Told{Row: rapid.Uint64().Draw(t, "row")}}
			p.Set(item)
			want[item.Requirement] = item
		}
		for name, item := range want {
			if got := p.Of(name); got == nil || !reflect.DeepEqual(*got, item) {
				t.Fatalf("%s: %+v, want %+v", name, got, item)
			}
		}
		if len(p.Items) != len(want) || p.Of("none") != nil || !slices.IsSortedFunc(p.Items, func(a, b points.Point) int { return strings.Compare(a.Requirement, b.Requirement) }) {
			t.Fatalf("%+v", p.Items)
		}
	})
}

func TestPointsHoldFromTheirDayUntilHistoryMayDiffer(t *testing.T) {
	p := points.Points{Rules: "2.5", Since: first, Until: first.AddDays(3)}
	for days, want := range map[int]bool{-1: false, 0: true, 2: true, 3: false, 4: false} {
		if got := p.Hold(first.AddDays(days), "2.5"); got != want {
			t.Errorf("day %d: %t", days, got)
		}
	}
	if p.Hold(first, "2.6") || (points.Points{}).Hold(first, "") {
		t.Error("other requirements, or no points, hold")
	}
}

// The date of a row that is not written anew is never later than the item's and earlier by at most a tenth of the days that are left, and its band
// is the item's.
func TestARowThatStaysIsNeverLate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := point(t)
		today := first.AddDays(rapid.IntRange(0, 900).Draw(t, "today"))
		r := due.Result{Band: p.Told.Band, Date: date(t, "date")}
		if rapid.Bool().Draw(t, "turned") {
			r.Band = due.Overdue
		}
		if p.Stale(r, today) {
			return
		}
		behind, left := 0, 0
		if !r.Date.IsZero() {
			behind, left = r.Date.Sub(p.Told.Date), r.Date.Sub(today)
		}
		if p.Told.Band != r.Band || r.Date.IsZero() != p.Told.Date.IsZero() || behind < 0 || behind > 0 && 10*behind > left {
			t.Fatalf("told %+v, is %s %s on %s", p.Told, r.Band, r.Date, today)
		}
	})
}

// An item counts as limits do, with its extension until its last day and as a soft life when it is one.
func TestAnItemIsCountedByItsLimits(t *testing.T) {
	p := points.Point{
		Tree: due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 100}}}, Base: due.Base{Date: first}, Extension: due.Extension{Seconds: 10, Stop: first.AddDays(5)},
	}
	for name, c := range map[string]struct {
		at   int64
		day  int
		soft bool
		want due.Band
	}{
		"left": {90, 0, false, due.Near}, "within": {105, 5, false, due.InTolerance}, "after its last day": {105, 6, false, due.Overdue},
		"beyond": {111, 5, false, due.Overdue}, "soft": {111, 5, true, due.Attention},
	} {
		p.Soft, p.Threshold = c.soft, due.Threshold{Seconds: 20}
		if got := p.On(due.Now{Today: first.AddDays(c.day), Counters: due.Counters{Seconds: c.at}}); got.Band != c.want {
			t.Errorf("%s: %s, want %s", name, got.Band, c.want)
		}
	}
}
