// Package reorder computes when and how much to order: safety stock and reorder point, economic quantity, forecasts of
// demand that comes now and then.
//
// Amounts are in one unit of the caller's choice and times in one period of the caller's choice, the same throughout a call.
// The formulas are those of the operations textbooks named in the tests; nothing here reads a clock or a database.
package reorder

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"coldsection.example/services/platform/fault"
)

// Demand is what is used per period, and how long an order takes.
type Demand struct {
	Mean, Deviation float64 // of the use per period
	Lead, LeadSigma float64 // periods from order to shelf: mean and standard deviation
}

// DuringLead is the mean and the standard deviation of the use while an order is on its way:
// D L and sqrt(L σ² + D² s²), with s the deviation of the lead time.
func (d Demand) DuringLead() (mean, deviation float64) {
	return d.Mean * d.Lead, math.Sqrt(d.Lead*d.Deviation*d.Deviation + d.Mean*d.Mean*d.LeadSigma*d.LeadSigma)
}

// Z is how many standard deviations of safety a service level needs: the quantile of the standard normal distribution.
// Reason: SERVICE_LEVEL_INVALID.
func Z(service float64) (float64, error) {
	if math.IsNaN(service) || service < 0.5 || service > 0.9999 {
		return 0, fault.Invalid("service_level", "SERVICE_LEVEL_INVALID",
			"A service level of %g is not between 0.5 and 0.9999. Give the share of cycles without a shortage, such as 0.95.", service)
	}
	return distuv.UnitNormal.Quantile(service), nil
}

// Point is the level at which to order: use during the lead time and z deviations of safety.
func Point(d Demand, z float64) (point, safety float64) {
	mean, deviation := d.DuringLead()
	safety = z * deviation
	return mean + safety, safety
}

// Service is what a reorder point and an order quantity achieve: the share of cycles without a shortage, the expected
// shortage of a cycle, and the share of use that is met from the shelf.
func Service(d Demand, point, quantity float64) (cycle, shortage, fill float64) {
	mean, deviation := d.DuringLead()
	safety := point - mean
	k := safety / deviation
	cycle = distuv.UnitNormal.CDF(k)
	shortage = deviation*distuv.UnitNormal.Prob(k) - safety*(1-cycle)
	return cycle, shortage, 1 - shortage/quantity
}

// Economic is the quantity at which ordering and holding cost least, sqrt(2 D S / h): use per year, cost of an order, cost of
// holding one unit for a year.
func Economic(annual, order, holding float64) float64 { return math.Sqrt(2 * annual * order / holding) }

// EconomicRun is Economic for what is made here at a rate per year while it is used.
func EconomicRun(annual, rate, setup, holding float64) float64 {
	return Economic(annual, setup, holding*(1-annual/rate))
}

// Capped bounds an order by what is used in the life that is left on arrival; margin is the share of that life to count on.
func Capped(quantity, perDay, lifeDays, margin float64) float64 {
	return math.Min(quantity, perDay*lifeDays*margin)
}

// InPacks rounds a quantity up to whole packs; a pack of nothing leaves it.
func InPacks(quantity, pack float64) float64 {
	if pack <= 0 {
		return quantity
	}
	return math.Ceil(quantity/pack-1e-9) * pack
}

// PoissonLevel is the least stock that meets rare use during a lead time with the wanted probability.
func PoissonLevel(mean, service float64) int {
	poisson := distuv.Poisson{Lambda: mean}
	for level := 0; ; level++ {
		if poisson.CDF(float64(level)) >= service {
			return level
		}
	}
}

// CountsPerDay is how many items are to be counted each working day when so many are counted once in so many days.
func CountsPerDay(items, everyDays float64) float64 { return items / everyDays }
