package due_test

import (
	"strings"
	"testing"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

func hours(h float64) int64 { return int64(h*10) * 360 }

// TOL-10 and TOL-11: 300 h due at 900 with a variation of 30 granted; at 925 it is within it, at 930.1 past. The amounts
// follow the ILT leaflet "Permitted Variations", table 1(a).
func TestAnExtensionHoldsUpToItsEnd(t *testing.T) {
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: hours(300)}}}
	base := due.Base{Date: today, Counters: due.Counters{Seconds: hours(600)}}
	granted := due.Extension{Seconds: hours(30), HardStop: today.AddDays(10)}
	for _, c := range []struct {
		now  float64
		day  civil.Date
		want due.Band
	}{{925, today, due.Due}, {930, today, due.Due}, {930.1, today, due.Overdue}, {925, today.AddDays(10), due.Due}, {925, today.AddDays(11), due.Overdue}} {
		r := tree.Extended(granted, base, due.Now{Today: c.day, Counters: due.Counters{Seconds: hours(c.now)}}, due.DefaultThreshold)
		if r.Band != c.want {
			t.Errorf("%.1f h on %s: %s, want %s (%s)", c.now, c.day, r.Band, c.want, r.Explain())
		}
	}
}

// TOL-12 (EASA FAQ 19102 case 1): the next interval counts from the original due, so the next due is 1,200 and not 1,225.
func TestAnExtensionIsNotCumulative(t *testing.T) {
	tree := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: hours(300)}}}.Extend(due.Extension{Seconds: hours(30)})
	next := due.FromDueIfLate.Next(due.Base{Date: today, Counters: due.Counters{Seconds: hours(600)}},
		due.Base{Date: today, Counters: due.Counters{Seconds: hours(925)}}, tree)
	if got := next.Counters.Seconds + hours(300); got != hours(1200) {
		t.Errorf("next due at %d s, want %d", got, hours(1200))
	}
}

// FCT-01: 100 h at 2.5 h a day from 2025-06-01 are 40 days, 2025-07-11; the line holds every number of it.
func TestTheLineHoldsTheRate(t *testing.T) {
	r := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: hours(100)}}}.Compute(due.Base{Date: today},
		due.Now{Today: today, Rate: due.Rate{SecondsPerDay: 9000}}, due.DefaultThreshold)
	for _, want := range []string{"100:00 h", "at 2.5 h a day from 2025-06-01 reached on 2025-07-11"} {
		if !strings.Contains(r.Explain(), want) {
			t.Errorf("%q lacks %q", r.Explain(), want)
		}
	}
}

func TestSecondsAreNotLostInTheLine(t *testing.T) {
	r := due.Tree{Limits: []due.Limit{{Unit: due.Hours, Amount: 3601}}}.Compute(due.Base{Date: today}, due.Now{Today: today}, due.DefaultThreshold)
	if !strings.Contains(r.Explain(), "1:00:01 h") {
		t.Error(r.Explain())
	}
}
