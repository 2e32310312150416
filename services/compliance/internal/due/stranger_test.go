package due_test

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// A stranger has the line of arithmetic and nothing else: no code of this package or of package civil is used to redo it.

var (
	byCalendar = regexp.MustCompile(`^calendar: (\S+) \+ (?:(\d+) (days|months|calendar months \(to the month's end\))|the fixed date (\S+)) = (\S+), (-?\d+) days from (\S+)$`)
	byCounter  = regexp.MustCompile(`^(hours|cycles|starts): (done|new) at (\S+?)(?: h)? \+ (\S+?)(?: h)? = (\S+?)(?: h)?, now (\S+?)(?: h)?, left (\S+?)(?: h)?(?:, (.*))?$`)
	byRate     = regexp.MustCompile(`^at (\S+) (?:h|cycles) a day (\d+) whole days after (\S+) = (\S+)$`)
	driven     = regexp.MustCompile(`^(.*?)\.(?: What counts is (.*)\.)? Driven by (\w+): due (\S+)\.$`)
)

func dayOf(t *rapid.T, text string) time.Time {
	d, err := time.Parse(time.DateOnly, text)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return d
}

// monthsOn is so many months later by hand: the same day of that month, or its last one when it has no such day or that is asked for.
func monthsOn(from time.Time, n int, toEnd bool) time.Time {
	last := time.Date(from.Year(), from.Month()+time.Month(n+1), 0, 0, 0, 0, 0, time.UTC)
	if toEnd || from.Day() > last.Day() {
		return last
	}
	return time.Date(last.Year(), last.Month(), from.Day(), 0, 0, 0, 0, time.UTC)
}

// counted is a counter as it is written: h:mm, h:mm:ss or a whole number.
func counted(text string) int64 {
	sign := int64(1)
	if strings.HasPrefix(text, "-") {
		sign, text = -1, text[1:]
	}
	var n, part int64
	for i, p := range strings.Split(text, ":") {
		if _, err := fmt.Sscan(strings.TrimLeft(p, "0")+" 0", &part); err != nil || strings.Trim(p, "0") == "" {
			part = 0
		}
		if n += part * []int64{3600, 60, 1}[i]; !strings.Contains(text, ":") {
			n = part
		}
	}
	return sign * n
}

// redo redoes one line and gives the day that it leads to; zero when there is none.
func redo(t *rapid.T, line string) time.Time {
	if m := byCalendar.FindStringSubmatch(line); m != nil {
		var n int
		_, _ = fmt.Sscan(m[2], &n)
		var day time.Time
		switch {
		case m[4] != "":
			day = dayOf(t, m[4])
		case m[3] == "days":
			day = dayOf(t, m[1]).AddDate(0, 0, n)
		default:
			day = monthsOn(dayOf(t, m[1]), n, m[3] != "months")
		}
		if left := int(day.Sub(dayOf(t, m[7])).Hours() / 24); day.Format(time.DateOnly) != m[5] || fmt.Sprint(left) != m[6] {
			t.Fatalf("by hand it is %s, %d days left: %s", day.Format(time.DateOnly), left, line)
		}
		return day
	}
	m := byCounter.FindStringSubmatch(line)
	if m == nil {
		t.Fatalf("a stranger can't read %q", line)
	}
	at, left := counted(m[3])+counted(m[4]), counted(m[7])
	if at != counted(m[5]) || at-counted(m[6]) != left {
		t.Fatalf("by hand it is due at %d with %d left: %s", at, at-counted(m[6]), line)
	}
	r := byRate.FindStringSubmatch(m[8])
	if r == nil {
		return time.Time{}
	}
	rate, _ := new(big.Rat).SetString(r[1])
	if m[1] == "hours" {
		rate.Mul(rate, big.NewRat(3600, 1))
	}
	q := new(big.Rat).Quo(big.NewRat(left, 1), rate)
	n := new(big.Int).Quo(q.Num(), q.Denom())
	day := dayOf(t, r[3]).AddDate(0, 0, int(n.Int64()))
	if n.String() != r[2] || day.Format(time.DateOnly) != r[4] {
		t.Fatalf("by hand it is %s days, %s: %s", n, day.Format(time.DateOnly), line)
	}
	return day
}

// combine reads "the first of 1 and (the last of 2 and 3)" and gives the day that counts.
func combine(words string, days []time.Time) time.Time {
	words = strings.TrimSuffix(strings.TrimPrefix(words, "("), ")")
	last := strings.HasPrefix(words, "the last of ")
	if !last && !strings.HasPrefix(words, "the first of ") {
		var n int
		_, _ = fmt.Sscan(words, &n)
		return days[n-1]
	}
	_, rest, _ := strings.Cut(words, " of ")
	var found time.Time
	for depth, from, i := 0, 0, 0; i <= len(rest); i++ {
		if i < len(rest) && !strings.HasPrefix(rest[i:], " and ") || depth > 0 && i < len(rest) {
			depth += strings.Count(rest[i:i+1], "(") - strings.Count(rest[i:i+1], ")")
			continue
		}
		part := combine(rest[from:i], days)
		if from = i + len(" and "); found.IsZero() || part.Before(found) != last {
			found = part
		}
	}
	return found
}

// future is a limit of any kind that lies ahead and has a day: at two tenths of an hour a day the longest is 123 years away, and beyond 200 no day is named.
func future(t *rapid.T) due.Limit {
	l := due.Limit{Unit: rapid.SampledFrom([]due.Unit{due.Hours, due.Cycles, due.CalendarMonthsEnd, due.Months, due.Days, due.FixedDate}).Draw(t, "unit")}
	switch l.Unit {
	case due.Hours:
		l.Amount, l.SinceNew = rapid.Int64Range(4000*3600, 9000*3600).Draw(t, "seconds"), rapid.Bool().Draw(t, "since new")
	case due.Cycles:
		l.Amount = rapid.Int64Range(1000, 3000).Draw(t, "cycles")
	case due.FixedDate:
		l.Fixed = today.AddDays(rapid.IntRange(1, 2000).Draw(t, "fixed"))
	default:
		l.Amount = rapid.Int64Range(900, 1500).Draw(t, "amount")
	}
	return l
}

func futures(t *rapid.T, depth int) (tree due.Tree) {
	tree.Later = rapid.Bool().Draw(t, "later")
	for range rapid.IntRange(1, 3).Draw(t, "limits") {
		tree.Limits = append(tree.Limits, future(t))
	}
	if depth > 0 && rapid.Bool().Draw(t, "nested") {
		tree.Trees = append(tree.Trees, futures(t, depth-1))
	}
	return tree
}

// Whatever the limits are and however they are combined, the line of arithmetic alone leads to the same day; leap days and the ends of months among
// them.
func TestAStrangerComesToTheSameDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := due.Base{
			Date:     civil.Date{Year: 2024, Month: 1, Day: 31}.AddDays(rapid.IntRange(0, 60).Draw(t, "base")),
			Counters: due.Counters{Seconds: rapid.Int64Range(0, 3000*3600).Draw(t, "at"), Cycles: rapid.Int64Range(0, 900).Draw(t, "at")},
		}
		now := due.Now{
			Today: today, Counters: due.Counters{Seconds: base.Counters.Seconds + 1234, Cycles: base.Counters.Cycles + 7},
			Rate: due.Rate{HoursPerDay: float64(rapid.IntRange(2, 120).Draw(t, "rate")) / 10, CyclesPerDay: float64(rapid.IntRange(1, 60).Draw(t, "rate")) / 10},
		}
		r := futures(t, 2).Compute(base, now, due.Threshold{})
		text := r.Explain()
		m := driven.FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("%q names no day", text)
		}
		var days []time.Time
		for line := range strings.SplitSeq(m[1], "; ") {
			days = append(days, redo(t, line))
		}
		counts := m[2]
		if counts == "" {
			counts = "1"
		}
		if got := combine(counts, days).Format(time.DateOnly); got != m[4] || got != r.Date.String() {
			t.Fatalf("by hand it is due %s, and it is %s: %s", got, r.Date, text)
		}
	})
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
