package reorder

import (
	"fmt"
	"math"
	"strconv"
)

// Policy is how an item is ordered; zero means not stated.
type Policy struct {
	Min, Max       float64
	CoverDays      float64
	Lead, LeadSD   float64 // days
	Service        float64
	LifeDays, Pack float64
}

// Shelf is what there is of an item. Ending are usable, promised to no order, and end before an order could come.
type Shelf struct{ Usable, Ending, Promised, Missing, Ordered float64 }

// Step is one line of the arithmetic.
type Step struct {
	Name    string
	Value   float64
	Formula string
	Source  string
}

// Advice is whether to order and how much, step by step.
type Advice struct {
	Position, Point, Quantity float64
	Now                       bool
	Explanation               string
	Steps                     []Step
}

// Sources of the formulas.
const (
	textbook = "Chopra & Meindl, Supply Chain Management; Heizer & Render, Operations Management, ch. 12"
	crostons = "Croston 1972; Syntetos & Boylan (SBA)"
	rule     = "rule of the stores"
)

// smoothing is the weight of the newest value in forecasts of use that comes now and then.
const smoothing = 0.1

func (a *Advice) step(name string, value float64, source, format string, args ...any) {
	a.Steps = append(a.Steps, Step{name, value, fmt.Sprintf(format, args...), source})
}

// Advise computes when and how much to order from the use of each day of the past. Planned use is known, so that what is
// promised is taken off the position and not forecast. Reason: SERVICE_LEVEL_INVALID.
func Advise(p Policy, s Shelf, series []float64) (Advice, error) {
	var a Advice
	perDay, deviation := a.use(series)
	a.Position = s.Usable - s.Ending + s.Ordered - s.Promised - s.Missing
	a.step("position", a.Position, rule, "%s usable − %s that nobody is promised and that end before an order could come + %s on order − %s promised − %s missing",
		digits(s.Usable), digits(s.Ending), digits(s.Ordered), digits(s.Promised), digits(s.Missing))
	if err := a.point(p, perDay, deviation); err != nil {
		return a, err
	}
	switch a.Now = a.Position <= a.Point && (a.Point > 0 || a.Position < 0); {
	case a.Position > a.Point:
		a.Explanation = fmt.Sprintf("The position of %s is above the reorder point of %s: nothing to order.", digits(a.Position), digits(a.Point))
	case !a.Now:
		a.Explanation = fmt.Sprintf("Nothing was used in %d days and no order misses any: nothing to order.", len(series))
	default:
		a.amount(p, perDay)
	}
	return a, nil
}

// digits is a number as a person reads it: six digits and no exponent.
func digits(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// use is the mean and the deviation of a day's use; the mean of what comes now and then is forecast by SBA.
func (a *Advice) use(series []float64) (perDay, deviation float64) {
	perDay, deviation = meanOf(series)
	class, interval, variation := Class(series)
	a.step("use per day", perDay, textbook, "mean of %d days", len(series))
	if f, ok := Croston(series, smoothing); ok && interval > 1.32 {
		perDay = f.SBA
		a.step("use per day, "+class, perDay, crostons, "size %s / interval %s × (1 − %g/2); mean interval %.3g, squared variation %.3g",
			digits(f.Size), digits(f.Interval), smoothing, interval, variation)
	}
	a.step("deviation per day", deviation, textbook, "standard deviation of %d days", len(series))
	return perDay, deviation
}

func (a *Advice) point(p Policy, perDay, deviation float64) error {
	if p.Min > 0 {
		a.Point = p.Min
		a.step("reorder point", p.Min, rule, "the minimum of the item's policy")
		return nil
	}
	service := p.Service
	if service == 0 {
		service = 0.95
	}
	z, err := Z(service)
	if err != nil {
		return err
	}
	d := Demand{Mean: perDay, Deviation: deviation, Lead: p.Lead, LeadSigma: p.LeadSD}
	mean, sigma := d.DuringLead()
	var safety float64
	a.Point, safety = Point(d, z)
	a.step("use during the lead time", mean, textbook, "%s a day × %s days", digits(perDay), digits(p.Lead))
	a.step("deviation during the lead time", sigma, textbook, "sqrt(%s × %s² + %s² × %s²)", digits(p.Lead), digits(deviation), digits(perDay), digits(p.LeadSD))
	a.step("safety stock", safety, textbook, "z %.4f for a service level of %g × %s", z, service, digits(sigma))
	a.step("reorder point", a.Point, textbook, "%s + %s", digits(mean), digits(safety))
	return nil
}

// amount is how much to order: what the policy says, no more than keeps until it is used, in whole packs.
func (a *Advice) amount(p Policy, perDay float64) {
	if a.Quantity = p.Max - a.Position; p.Max > 0 {
		a.step("quantity", a.Quantity, rule, "up to the maximum: %s − %s", digits(p.Max), digits(a.Position))
	} else {
		a.Quantity = max(a.Point-a.Position, 0) + perDay*p.CoverDays
		a.step("quantity", a.Quantity, rule, "%s up to the reorder point + %s a day × %s days of cover",
			digits(max(a.Point-a.Position, 0)), digits(perDay), digits(p.CoverDays))
	}
	keeps := a.keeps(p, perDay)
	if packs := InPacks(a.Quantity, p.Pack); packs != a.Quantity {
		a.Quantity = packs
		a.step("in whole packs", packs, rule, "%s packs of %s", digits(math.Round(packs/p.Pack)), digits(p.Pack))
	}
	at := fmt.Sprintf("The position of %s is at or below the reorder point of %s: ", digits(a.Position), digits(a.Point))
	switch {
	case a.Quantity <= 0:
		a.Explanation = at + "order. How much, the policy does not say: give it a maximum, or days of cover of what is used."
	case a.Quantity > keeps+1e-9:
		a.Explanation = at + fmt.Sprintf("order %s. Only %s of it will be used before its life ends: look for a smaller pack, or a longer life.", digits(a.Quantity), digits(keeps))
	default:
		a.Explanation = at + fmt.Sprintf("order %s.", digits(a.Quantity))
	}
}

// keeps bounds the quantity by what is used in a shelf life, and returns that: what orders want already, and the use of each day. Of what
// nobody uses it says nothing.
func (a *Advice) keeps(p Policy, perDay float64) float64 {
	if p.LifeDays <= 0 || perDay <= 0 {
		return math.Inf(1)
	}
	known := max(-a.Position, 0)
	keeps := known + Capped(math.Inf(1), perDay, p.LifeDays, 1)
	if keeps < a.Quantity {
		a.Quantity = keeps
		a.step("capped by shelf life", keeps, rule, "%s that orders want + what is used in %s days at %s a day", digits(known), digits(p.LifeDays), digits(perDay))
	}
	return keeps
}
