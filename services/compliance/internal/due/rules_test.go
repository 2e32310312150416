package due_test

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// R10: no extension is ever allowed on a directive or a life limit, however small it is and however much the programme would permit.
func TestNothingExtendsADirectiveOrALifeLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		asked := due.Extension{
			Seconds: rapid.Int64Range(0, 100).Draw(t, "seconds"), Cycles: rapid.Int64Range(0, 100).Draw(t, "cycles"), Days: rapid.Int64Range(0, 100).Draw(t, "days"), Stop: today,
		}
		permitted := due.Extension{Seconds: 1 << 40, Cycles: 1 << 40, Days: 1 << 20}
		limits := due.Tree{Limits: []due.Limit{oneLimit(t)}}
		for _, class := range []due.Class{due.Directive, due.LifeLimit} {
			if err := class.May(asked, permitted, limits); err == nil {
				t.Fatalf("class %v may be extended by %+v", class, asked)
			}
		}
		if asked.Seconds > 0 || asked.Cycles > 0 || asked.Days > 0 {
			if err := due.Programme.May(asked, permitted, due.Tree{Limits: []due.Limit{
				{Unit: due.Hours, Amount: 3600}, {Unit: due.Cycles, Amount: 1}, {Unit: due.Days, Amount: 1},
			}}); err != nil {
				t.Fatalf("a programme permits it, and it is refused: %v", err)
			}
		}
	})
}

func oneLimit(t *rapid.T) due.Limit {
	return due.Limit{
		Unit:   rapid.SampledFrom([]due.Unit{due.Hours, due.Cycles, due.Starts, due.Days, due.Months, due.CalendarMonthsEnd}).Draw(t, "unit"),
		Amount: rapid.Int64Range(1, 400).Draw(t, "amount"),
	}
}

// R12: the next interval counts from when it was done, from when it was due where it was done late, or from when it was due either way: as the
// requirement's policy says, counted here by hand from the three tables of the handbook, section 2.4.
func TestTheNextIntervalCountsFromWhereThePolicySays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amount := rapid.Int64Range(1, 1000).Draw(t, "interval")
		start := rapid.Int64Range(0, 100_000).Draw(t, "start")
		done := start + rapid.Int64Range(1, 3000).Draw(t, "flown")
		first := due.Base{Date: today, Counters: due.Counters{Cycles: start}}
		at := due.Base{Date: today.AddDays(10), Counters: due.Counters{Cycles: done}}
		tree := due.Tree{Limits: []due.Limit{{Unit: due.Cycles, Amount: amount}}}
		was := start + amount
		late := min(was, done)
		for policy, want := range map[due.Rebase]int64{due.FromDone: done, due.FromDueIfLate: late, due.FixedGrid: was} {
			if next := policy.Next(first, at, tree); next.Counters.Cycles != want {
				t.Fatalf("policy %d: from %d every %d, done at %d: counts from %d, want %d", policy, start, amount, done, next.Counters.Cycles, want)
			}
		}
	})
}

// R15: the last day, and the last hour or cycle, is still good: DUE with nothing left, OVERDUE with the next one.
func TestOverdueBeginsAfterTheLast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := oneLimit(t)
		base := due.Base{Date: today.AddDays(-rapid.IntRange(0, 4000).Draw(t, "ago")), Counters: due.Counters{Seconds: 7, Cycles: 8, Starts: 9}}
		at := limit.Compute(base, due.Now{Today: base.Date})
		for past, want := range map[int]due.Band{-1: due.Near, 0: due.Due, 1: due.Overdue} {
			now := due.Now{Today: at.Date.AddDays(past), Counters: due.Counters{Seconds: at.At + int64(past), Cycles: at.At + int64(past), Starts: at.At + int64(past)}}
			if !limit.Unit.Calendar() {
				now.Today = base.Date
			}
			r := due.Tree{Limits: []due.Limit{limit}}.Compute(base, now, due.Threshold{Days: 1, Seconds: 1, Cycles: 1})
			if r.Band != want || r.Left[0].Left != int64(-past) {
				t.Fatalf("%+v, %d past the last: %s with %d left, want %s", limit, past, r.Band, r.Left[0].Left, want)
			}
		}
	})
}

// R16: of several limits, FIRST is past when any is, and LATER only when all are.
func TestFirstIsAnyAndLaterIsAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limits := make([]due.Limit, rapid.IntRange(1, 4).Draw(t, "limits"))
		now := due.Now{Today: today, Counters: due.Counters{
			Seconds: rapid.Int64Range(0, 600).Draw(t, "seconds"), Cycles: rapid.Int64Range(0, 600).Draw(t, "cycles"), Starts: rapid.Int64Range(0, 600).Draw(t, "starts"),
		}}
		base := due.Base{Date: today.AddDays(-rapid.IntRange(0, 600).Draw(t, "ago"))}
		past := 0
		for i := range limits {
			limits[i] = oneLimit(t)
			if limits[i].Compute(base, now).Left < 0 {
				past++
			}
		}
		for later, want := range map[bool]bool{false: past > 0, true: past == len(limits)} {
			if got := (due.Tree{Later: later, Limits: limits}).Compute(base, now, due.DefaultThreshold).Band; (got == due.Overdue) != want {
				t.Fatalf("%d of %d are past, later %t: %s", past, len(limits), later, got)
			}
		}
	})
}

// R23: a forecast never counts a day that can't be flown in full, and a calendar limit stays where it is, whether anything is flown or not.
func TestAForecastRoundsDownAndTheCalendarDoesNotWait(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		left, perDay := rapid.Int64Range(0, 5000).Draw(t, "left"), rapid.Int64Range(1, 40).Draw(t, "a day")
		now := due.Now{Today: today, Rate: due.Rate{CyclesPerDay: float64(perDay)}}
		cycles := due.Limit{Unit: due.Cycles, Amount: left}
		days := cycles.Compute(due.Base{Date: today}, now).Projected.Sub(today)
		if n := int64(days); n*perDay > left || (n+1)*perDay <= left {
			t.Fatalf("%d left at %d a day: %d days", left, perDay, days)
		}
		month := due.Limit{Unit: due.Months, Amount: 1}
		flown, idle := month.Compute(due.Base{Date: today}, now), month.Compute(due.Base{Date: today}, due.Now{Today: today})
		if flown.Projected != idle.Projected || idle.Projected != (civil.Date{Year: 2025, Month: 7, Day: 1}) {
			t.Fatalf("%s when flown, %s when not", flown.Projected, idle.Projected)
		}
		stands := rapid.IntRange(1, 60).Draw(t, "stands for")
		now.Plan = &due.Plan{Rate: now.Rate, Periods: []due.Period{{From: today.AddDays(1), Through: today.AddDays(stands), Percent: new(big.Rat)}}}
		if still := month.Compute(due.Base{Date: today}, now); still.Projected != idle.Projected || still.Left != idle.Left {
			t.Fatalf("the calendar limit is %s, and %s when it stands for %d days", idle.Projected, still.Projected, stands)
		}
		if later := cycles.Compute(due.Base{Date: today}, now).Projected.Sub(today); later != days+stands && (days > 0 || later > stands) {
			t.Fatalf("%d left at %d a day last %d days, and %d when it stands for %d first", left, perDay, days, later, stands)
		}
	})
}

// Where the next interval counts from does not depend on how limits are grouped, and of several limits in a unit the one that was due first counts. Only a
// fixed date, and counters since new, count from no base.
func TestLimitsWithinGroupsRebaseAsOthersDo(t *testing.T) {
	base := due.Base{Date: civil.Date{Year: 2025, Month: 1, Day: 31}, Counters: due.Counters{Seconds: 1000 * 3600, Cycles: 500, Starts: 600}}
	rapid.Check(t, func(t *rapid.T) {
		flat, nested := due.Tree{}, due.Tree{Trees: []due.Tree{{Later: true, Trees: []due.Tree{{}}}}}
		into := []*[]due.Limit{&nested.Limits, &nested.Trees[0].Limits, &nested.Trees[0].Trees[0].Limits}
		for range rapid.IntRange(1, 5).Draw(t, "limits") {
			l := anyLimit(t)
			flat.Limits = append(flat.Limits, l)
			to := into[rapid.IntRange(0, 2).Draw(t, "group")]
			*to = append(*to, l)
		}
		done := due.Base{Date: base.Date.AddDays(rapid.IntRange(0, 2000).Draw(t, "days")), Counters: due.Counters{
			Seconds: base.Counters.Seconds + rapid.Int64Range(0, 4000*3600).Draw(t, "flown"), Cycles: base.Counters.Cycles + rapid.Int64Range(0, 4000).Draw(t, "cycles"),
			Starts: base.Counters.Starts + rapid.Int64Range(0, 4000).Draw(t, "starts"),
		}}
		for _, policy := range []due.Rebase{due.FromDone, due.FromDueIfLate, due.FixedGrid} {
			got := policy.Next(base, done, nested)
			if want := policy.Next(base, done, flat); got != want {
				t.Fatalf("%d: grouped it counts from %v, and from %v in one group", policy, got, want)
			}
			for _, l := range flat.Limits {
				at := l.Compute(base, due.Now{Today: done.Date, Counters: done.Counters})
				next := l.Compute(got, due.Now{Today: done.Date, Counters: done.Counters})
				if again := at.At + l.Amount; policy != due.FromDone && !l.Unit.Calendar() && !l.SinceNew && at.Left < 0 && next.At > again {
					t.Fatalf("it was due at %d, and is again at %d rather than by %d", at.At, next.At, again)
				}
			}
		}
	})
}

// Two limits by days, of which the first was due long before the work and the second just before it: the next interval of both counts from the
// earlier of the two, in whichever order they stand.
func TestOfTwoDatesTheEarlierIsRebased(t *testing.T) {
	base := due.Base{Date: civil.Date{Year: 2026, Month: 1, Day: 1}}
	done := due.Base{Date: civil.Date{Year: 2026, Month: 6, Day: 1}}
	short, long := due.Limit{Unit: due.Days, Amount: 31}, due.Limit{Unit: due.Months, Amount: 4}
	for name, c := range map[string]struct {
		policy due.Rebase
		limits []due.Limit
		want   string
	}{
		"late":                  {due.FromDueIfLate, []due.Limit{short, long}, "2026-02-01"},
		"late, the other order": {due.FromDueIfLate, []due.Limit{long, short}, "2026-02-01"},
		"on a grid":             {due.FixedGrid, []due.Limit{long, short}, "2026-02-01"},
		"one of them not due":   {due.FromDueIfLate, []due.Limit{{Unit: due.Months, Amount: 12}, long}, "2026-05-01"},
		"on the day":            {due.FromDueIfLate, []due.Limit{{Unit: due.Months, Amount: 5}}, "2026-06-01"},
		"from when it was done": {due.FromDone, []due.Limit{short, long}, "2026-06-01"},
	} {
		if got := c.policy.Next(base, done, due.Tree{Limits: c.limits}).Date; got.String() != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}
