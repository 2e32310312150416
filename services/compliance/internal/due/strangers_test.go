package due_test

import (
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// anyLimit is a limit of any kind, past or ahead; some are so far away that no day is named.
func anyLimit(t *rapid.T) due.Limit {
	l := due.Limit{Unit: rapid.SampledFrom([]due.Unit{due.Hours, due.Cycles, due.Starts, due.CalendarMonthsEnd, due.Months, due.Days, due.FixedDate}).Draw(t, "unit")}
	far := rapid.IntRange(0, 20).Draw(t, "far") == 0
	switch l.Unit {
	case due.Hours:
		l.Amount, l.SinceNew = rapid.Int64Range(0, 3000*3600).Draw(t, "seconds"), rapid.Bool().Draw(t, "since new")
		if far {
			l.Amount += 73001 * 12 * 3600
		}
	case due.Cycles, due.Starts:
		if l.Amount = rapid.Int64Range(0, 3000).Draw(t, "count"); far {
			l.Amount += 73001 * 6
		}
	case due.FixedDate:
		l.Fixed = today.AddDays(rapid.IntRange(-2000, 2000).Draw(t, "fixed"))
	case due.Days:
		l.Amount = rapid.Int64Range(1, 1500).Draw(t, "days")
	default:
		l.Amount = rapid.Int64Range(1, 60).Draw(t, "months")
	}
	return l
}

func anyTree(t *rapid.T, depth int) (tree due.Tree) {
	tree.Later = rapid.Bool().Draw(t, "later")
	for range rapid.IntRange(1, 3).Draw(t, "limits") {
		tree.Limits = append(tree.Limits, anyLimit(t))
	}
	if depth > 0 && rapid.Bool().Draw(t, "nested") {
		tree.Trees = append(tree.Trees, anyTree(t, depth-1))
	}
	return tree
}

func anyRate(t *rapid.T, least int) due.Rate {
	return due.Rate{HoursPerDay: float64(rapid.IntRange(least, 120).Draw(t, "hours")) / 10, CyclesPerDay: float64(rapid.IntRange(least, 60).Draw(t, "cycles")) / 10}
}

// anyPlan is none, or a rate with seasons, stand-downs, other rates and shares of them: what a scenario adds are periods like those that are kept.
// At most four percentages meet, which is what whole numbers hold by hand.
func anyPlan(t *rapid.T) *due.Plan {
	if rapid.Bool().Draw(t, "plain") {
		return nil
	}
	plan := &due.Plan{Rate: anyRate(t, rapid.SampledFrom([]int{0, 2}).Draw(t, "least"))}
	percent := func() *big.Rat { return big.NewRat(rapid.SampledFrom([]int64{0, 40, 100, 140}).Draw(t, "percent"), 1) }
	for range rapid.IntRange(0, 2).Draw(t, "seasons") {
		plan.Seasons = append(plan.Seasons, due.Season{
			FirstMonth: rapid.IntRange(1, 12).Draw(t, "first"), LastMonth: rapid.IntRange(1, 12).Draw(t, "last"), Percent: percent(),
		})
	}
	for range rapid.IntRange(0, 2).Draw(t, "periods") {
		p := due.Period{From: today.AddDays(rapid.IntRange(-50, 400).Draw(t, "from"))}
		p.Through = p.From.AddDays(rapid.IntRange(0, 200).Draw(t, "days"))
		if rapid.Bool().Draw(t, "rate instead") {
			rate := anyRate(t, 0)
			p.Rate = &rate
		} else {
			p.Percent = percent()
		}
		plan.Periods = append(plan.Periods, p)
	}
	return plan
}

func anyExtension(t *rapid.T) (e due.Extension) {
	if rapid.Bool().Draw(t, "extended") {
		e = due.Extension{
			Seconds: rapid.Int64Range(0, 500*3600).Draw(t, "seconds"), Cycles: rapid.Int64Range(0, 300).Draw(t, "cycles"), Days: rapid.Int64Range(0, 90).Draw(t, "days"),
		}
		if rapid.Bool().Draw(t, "stops") {
			e.Stop = today.AddDays(rapid.IntRange(-2, 30).Draw(t, "stop"))
		}
	}
	return e
}

var bandsByHand = []due.Band{due.Current, due.Near, due.Due, due.InTolerance, due.Overdue}

// Whatever the limits are and however they are combined, past or ahead, extended, with any flying plan or without a rate at all, the line of
// arithmetic alone leads to the same day, or to none, and to the same band; leap days and the ends of months among them.
func TestAStrangerComesToTheSameDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := due.Base{
			Date:     civil.Date{Year: 2024, Month: 1, Day: 31}.AddDays(rapid.IntRange(0, 400).Draw(t, "base")),
			Counters: due.Counters{Seconds: rapid.Int64Range(0, 3000*3600).Draw(t, "at"), Cycles: rapid.Int64Range(0, 900).Draw(t, "at"), Starts: 40},
		}
		now := due.Now{Today: today, Counters: base.Counters, Plan: anyPlan(t), Extension: anyExtension(t)}
		if rapid.Bool().Draw(t, "the counters' day is known") {
			now.Read = today.AddDays(-rapid.IntRange(0, 90).Draw(t, "days old"))
		}
		now.Counters.Seconds += rapid.Int64Range(0, 2000*3600).Draw(t, "flown")
		now.Counters.Cycles += rapid.Int64Range(0, 1000).Draw(t, "flown")
		if rapid.IntRange(0, 5).Draw(t, "rate") > 0 {
			now.Rate = anyRate(t, 2)
		}
		r := anyTree(t, 2).Compute(base, now, due.DefaultThreshold)
		soft := rapid.Bool().Draw(t, "soft")
		if soft {
			r = r.Softened()
		}
		sameByHand(t, r, soft)
	})
}

func sameByHand(t rapid.TB, r due.Result, soft bool) {
	text := r.Explain()
	m := driven.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("%q says not what it is driven by", text)
	}
	var all []byHand
	counts, lines := m[2], strings.Split(m[1], "; ")
	for i, line := range lines {
		if number := fmt.Sprintf("(%d) ", i+1); strings.HasPrefix(line, number) != (len(lines) > 1) {
			t.Fatalf("%q is not said by its number, of %d", line, len(lines))
		}
		all = append(all, redo(t, strings.TrimPrefix(line, fmt.Sprintf("(%d) ", i+1)), due.DefaultThreshold))
	}
	if counts == "" {
		counts = "1"
	}
	h := combine(counts, all)
	band := bandsByHand[h.severity]
	if band == due.Overdue && soft {
		band = due.Attention
	}
	day := ""
	if !h.day.IsZero() {
		day = h.day.Format(time.DateOnly)
	}
	if day != r.Date.String() && (day != "" || !r.Date.IsZero()) || band != r.Band || h.unit != m[3] || (m[5] != "") != (band == due.Near) {
		t.Fatalf("by hand it is %s, due %q by %s, and it is %s, %s: %s", band, day, h.unit, r.Band, r.Date, text)
	}
	if want := h.outcome(day, band); !strings.HasPrefix(m[4], want) || len(m[4]) > len(want) && !h.says(strings.TrimPrefix(m[4], want)) {
		t.Fatalf("by hand it comes to %q with %d over: %s", want, -h.left, text)
	}
}

// outcome is the outcome in words, up to the amount by which it is over.
func (h byHand) outcome(day string, band due.Band) string {
	var words []string
	if day != "" {
		words = append(words, "due "+day)
	}
	switch band {
	case due.Overdue:
		words = append(words, "overdue by ")
	case due.InTolerance, due.Attention:
		words = append(words, "over by ")
	case due.Due:
		words = append(words, "reached")
	default:
		if day == "" {
			words = append(words, "no date")
		}
	}
	return strings.Join(words, ", ")
}

// says reports whether the words are the amount that it is over.
func (h byHand) says(rest string) bool {
	amount, _, _ := strings.Cut(rest, ",")
	number, unit, _ := strings.Cut(amount, " ")
	want := map[string]string{"hours": "h", "calendar": "days", "cycles": "cycles", "starts": "starts"}[h.unit]
	return counted(number) == -h.left && unit == want
}

// Used and left are the limit, in every unit that is counted, whatever was flown; beyond it as well.
func TestUsedAndLeftAreTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at, flown, limit := rapid.Int64Range(0, 1<<40).Draw(t, "at"), rapid.Int64Range(0, 1<<40).Draw(t, "flown"), rapid.Int64Range(1, 1<<40).Draw(t, "limit")
		unit := rapid.SampledFrom([]due.Unit{due.Hours, due.Cycles, due.Starts}).Draw(t, "unit")
		base := due.Counters{Seconds: at, Cycles: at, Starts: at}
		now := due.Counters{Seconds: at + flown, Cycles: at + flown, Starts: at + flown}
		l := due.Limit{Unit: unit, Amount: limit}.Compute(due.Base{Date: today, Counters: base}, due.Now{Today: today, Counters: now})
		if used := flown; used+l.Left != limit || l.At != at+limit {
			t.Fatalf("used %d, left %d, limit %d, due at %d", used, l.Left, limit, l.At)
		}
		used := rapid.IntRange(0, 4000).Draw(t, "days")
		d := due.Limit{Unit: due.Days, Amount: limit%3000 + 1}.Compute(due.Base{Date: today}, due.Now{Today: today.AddDays(used)})
		if int64(used)+d.Left != limit%3000+1 {
			t.Fatalf("%d days used, %d left of %d", used, d.Left, limit%3000+1)
		}
	})
}
