package due

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"coldsection.example/services/compliance/internal/civil"
)

// Period changes what is flown from one civil day through another.
type Period struct {
	From, Through civil.Date
	Percent       *big.Rat // of what is flown else; 0 is a stand-down
	Rate          *Rate    // flown instead, before the percentages; nil keeps the rate
}

// Season changes what is flown in these months of every year, both included; it may span the year's end.
type Season struct {
	FirstMonth, LastMonth int
	Percent               *big.Rat
}

func (s Season) in(month int) bool {
	if s.FirstMonth <= s.LastMonth {
		return s.FirstMonth <= month && month <= s.LastMonth
	}
	return month >= s.FirstMonth || month <= s.LastMonth
}

// Plan is what is going to be flown: a rate, and what changes it. Percentages of seasons and periods that overlap multiply, so a
// stand-down within a season is a stand-down.
type Plan struct {
	Rate    Rate
	Seasons []Season
	Periods []Period
	Spread  Spread // how uncertain the rate is; zero when it is taken as it stands
	Chance  Chance
}

// perDay is what a day counts of a unit, in seconds or cycles, exactly.
func (p Plan) perDay(u Unit, day civil.Date) *big.Rat {
	rate, factor := p.Rate, big.NewRat(1, 1)
	for _, s := range p.Seasons {
		if s.in(day.Month) {
			factor.Mul(factor, s.Percent)
			factor.Quo(factor, hundred)
		}
	}
	for _, c := range p.Periods {
		if day.Before(c.From) || c.Through.Before(day) {
			continue
		}
		if c.Rate != nil {
			rate = *c.Rate
		}
		if c.Percent != nil {
			factor.Mul(factor, c.Percent)
			factor.Quo(factor, hundred)
		}
	}
	return factor.Mul(factor, rate.exact(u))
}

var hundred = big.NewRat(100, 1)

// change is the first day after this one on which another rate may hold.
func (p Plan) change(day, last civil.Date) civil.Date {
	next := last.AddDays(1)
	sooner := func(d civil.Date) {
		if day.Before(d) && d.Before(next) {
			next = d
		}
	}
	if len(p.Seasons) > 0 {
		sooner(day.EndOfMonth(0).AddDays(1))
	}
	for _, c := range p.Periods {
		sooner(c.From)
		sooner(c.Through.AddDays(1))
	}
	return next
}

// reach is the last day that can be flown in full, counters being valid at the end of today, and how many days are flown until
// then; no date when that is never or more than 200 years away. Days on which nothing is flown do not end it: what ends it is the first day
// whose flying is more than is left.
func (p Plan) reach(u Unit, left *big.Rat, today civil.Date) (date civil.Date, flown int, end civil.Date) {
	left, date = new(big.Rat).Set(left), today
	last := today.AddDays(farthest + 1) // the day that ends it may come after the last one that can be flown
	if left.Sign() < 0 {
		return civil.Date{}, 0, last
	}
	for day := today.AddDays(1); !last.Before(day); {
		next, rate := p.change(day, last), p.perDay(u, day)
		if rate.Sign() > 0 {
			whole, most := floor(new(big.Rat).Quo(left, rate)), int64(next.Sub(day))
			n := int(min(whole, most))
			if n > 0 {
				date, flown = day.AddDays(n-1), flown+n
			}
			if whole < most {
				return date, flown, day.AddDays(n)
			}
			left.Sub(left, rate.Mul(rate, big.NewRat(most, 1)))
		}
		day = next
	}
	return civil.Date{}, 0, last
}

// floor is the whole part, or the largest number there is.
func floor(r *big.Rat) int64 {
	n := new(big.Int).Quo(r.Num(), r.Denom())
	if !n.IsInt64() {
		return 1<<63 - 1
	}
	return n.Int64()
}

// project is the day that a limit is reached on, by the plan when there is one; zero when there is none.
func (n *Now) project(u Unit, left int64) civil.Date {
	if n.Plan == nil {
		return n.Rate.project(u, left, n.Today)
	}
	likely, ok := n.Plan.likely(u, left)
	if !ok {
		return civil.Date{}
	}
	date, _, _ := n.Plan.reach(u, likely, n.Today)
	return date
}

// rateLine is how the projected date came about, to be redone by hand.
func (n *Now) rateLine(u Unit, l Left) string {
	if n.Plan == nil {
		return n.Rate.line(u, l, n.Today)
	}
	return n.Plan.line(u, l, n.Today)
}

func (p Plan) line(u Unit, l Left, today civil.Date) string {
	_, text := p.Rate.of(u)
	switch {
	case l.Left < 0:
		return ""
	case l.Projected.IsZero() && p.idle(u):
		return ", no flying rate is known, so no date"
	case l.Projected.IsZero():
		why := "more than 200 years away"
		if p.Chance == Late {
			why += " or too uncertain"
		}
		return fmt.Sprintf(", at %s%s %s, so no date", text, p.except(u, today, today.AddDays(farthest)), why)
	}
	likely, _ := p.likely(u, l.Left)
	_, flown, end := p.reach(u, likely, today)
	return fmt.Sprintf(", at %s%s %d days flown after %s = %s", text, p.except(u, today, end), flown, today, l.Projected)
}

// idle reports whether nothing of a unit is flown on any day.
func (p Plan) idle(u Unit) bool {
	return p.Rate.exact(u).Sign() == 0 && !slices.ContainsFunc(p.Periods, func(c Period) bool { return c.Rate != nil && c.Rate.exact(u).Sign() > 0 })
}

// except names what changes the rate of a unit until a day.
func (p Plan) except(u Unit, today, until civil.Date) string {
	var parts []string
	for _, s := range p.Seasons {
		parts = append(parts, fmt.Sprintf("%s %% in months %d to %d", decimalOf(s.Percent), s.FirstMonth, s.LastMonth))
	}
	for _, c := range p.Periods {
		if !until.Before(c.From) && today.Before(c.Through) {
			parts = append(parts, c.words(u))
		}
	}
	switch {
	case len(parts) == 0:
		return ""
	case len(parts) > 1:
		parts = append(parts, "where they meet percentages multiply and the last rate named holds")
	}
	return " (" + strings.Join(parts, ", ") + "),"
}

func (c Period) words(u Unit) string {
	what := ""
	if c.Rate != nil {
		_, what = c.Rate.of(u)
	}
	if c.Percent != nil {
		what = strings.TrimPrefix(what+" at "+decimalOf(c.Percent)+" %", " at ")
		if c.Percent.Sign() == 0 {
			what = "nothing"
		}
	}
	return fmt.Sprintf("%s from %s through %s", what, c.From, c.Through)
}

// decimalOf is a percentage as it was written.
func decimalOf(r *big.Rat) string {
	f, _ := r.Float64()
	return decimal(f)
}

// MeasuredRate is what was flown a day over so many days, rounded to four decimals, which is how it is shown; none without days.
func MeasuredRate(flown Counters, days int) Rate {
	if days <= 0 {
		return Rate{}
	}
	round := func(total, one int64) float64 {
		r, _ := big.NewRat(total, one*int64(days)).Float64()
		return math.Round(r*1e4) / 1e4
	}
	return Rate{HoursPerDay: round(max(flown.Seconds, 0), 3600), CyclesPerDay: round(max(flown.Cycles, 0), 1)}
}
