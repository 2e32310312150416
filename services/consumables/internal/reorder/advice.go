package reorder

import (
	"fmt"
	"math"
)

// Policy is how an item is ordered; zero means not stated.
type Policy struct {
	Min, Max       float64
	CoverDays      float64
	Lead, LeadSD   float64 // days
	Service        float64
	LifeDays, Pack float64
}

// Shelf is what there is of an item.
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
	a.step("position", a.Position, rule, "%g usable − %g that end before an order could come + %g on order − %g promised − %g missing",
		s.Usable, s.Ending, s.Ordered, s.Promised, s.Missing)
	if err := a.point(p, perDay, deviation); err != nil {
		return a, err
	}
	if a.Now = a.Position <= a.Point; !a.Now {
		a.Explanation = fmt.Sprintf("The position of %.4g is above the reorder point of %.4g: nothing to order.", a.Position, a.Point)
		return a, nil
	}
	a.amount(p, perDay)
	a.Explanation = fmt.Sprintf("The position of %.4g is at or below the reorder point of %.4g: order %.4g.", a.Position, a.Point, a.Quantity)
	return a, nil
}

// use is the mean and the deviation of a day's use; the mean of what comes now and then is forecast by SBA.
func (a *Advice) use(series []float64) (perDay, deviation float64) {
	perDay, deviation = meanOf(series)
	class, interval, variation := Class(series)
	a.step("use per day", perDay, textbook, "mean of %d days", len(series))
	if f, ok := Croston(series, smoothing); ok && interval > 1.32 {
		perDay = f.SBA
		a.step("use per day, "+class, perDay, crostons, "size %.4g / interval %.4g × (1 − %g/2); mean interval %.3g, squared variation %.3g",
			f.Size, f.Interval, smoothing, interval, variation)
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
	a.step("use during the lead time", mean, textbook, "%.4g a day × %g days", perDay, p.Lead)
	a.step("deviation during the lead time", sigma, textbook, "sqrt(%g × %.4g² + %.4g² × %g²)", p.Lead, deviation, perDay, p.LeadSD)
	a.step("safety stock", safety, textbook, "z %.4f for a service level of %g × %.4g", z, service, sigma)
	a.step("reorder point", a.Point, textbook, "%.4g + %.4g", mean, safety)
	return nil
}

func (a *Advice) amount(p Policy, perDay float64) {
	a.Quantity = p.Max - a.Position
	if p.Max > 0 {
		a.step("quantity", a.Quantity, rule, "up to the maximum: %g − %.4g", p.Max, a.Position)
	} else {
		a.Quantity = max(a.Point-a.Position, 0) + perDay*p.CoverDays
		a.step("quantity", a.Quantity, rule, "%.4g up to the reorder point + %.4g a day × %g days of cover", max(a.Point-a.Position, 0), perDay, p.CoverDays)
	}
	if p.LifeDays > 0 && perDay > 0 {
		if capped := Capped(a.Quantity, perDay, p.LifeDays, 1); capped < a.Quantity {
			a.Quantity = capped
			a.step("capped by shelf life", capped, rule, "what is used in %g days at %.4g a day", p.LifeDays, perDay)
		}
	}
	if packs := InPacks(a.Quantity, p.Pack); packs != a.Quantity {
		a.Quantity = packs
		a.step("in whole packs", packs, rule, "%g packs of %g", math.Round(packs/p.Pack), p.Pack)
	}
}
