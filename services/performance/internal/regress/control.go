package regress

import "math"

// EWMA moves an exponentially weighted moving average to a value: weight·value + (1 − weight)·at (NIST/SEMATECH e-Handbook
// 6.3.2.4).
func EWMA(at, value, weight float64) float64 { return at + weight*(value-at) }

// EWMALimit is the half width of the control limits of an EWMA of independent values: so many of its own standard deviations,
// sigma being that of the values (same page). Widen sigma first for noise that remembers.
func EWMALimit(weight, sigma, width float64) float64 {
	return width * sigma * math.Sqrt(weight/(2-weight))
}

// Cusum adds what a value exceeds its target by, less the allowance, to a one-sided cumulative sum, which never falls under
// zero (NIST/SEMATECH e-Handbook 6.3.2.3). Above the threshold it signals. For the other side change the excess' sign.
func Cusum(sum, excess, allowance float64) float64 { return math.Max(0, sum+excess-allowance) }
