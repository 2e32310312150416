package regress

import (
	"fmt"
	"math"
)

// EWMA is the exponentially weighted moving average of values, from a target on (NIST/SEMATECH e-Handbook 6.3.2.4): each is
// weight·x + (1 − weight)·before. limit is the half width of its control limits when sigma is the scatter of independent values
// and width how many of its own standard deviations are allowed; for noise that remembers widen sigma first.
func EWMA(x []float64, target, weight, sigma, width float64) (averages []float64, limit float64, err error) {
	if !(weight > 0 && weight <= 1 && sigma >= 0 && width >= 0 && math.Abs(target) <= maxSize) {
		return nil, 0, fmt.Errorf("a weight of %g, a scatter of %g and a width of %g make no chart", weight, sigma, width)
	}
	if err := checkFinite(x); err != nil {
		return nil, 0, err
	}
	at := target
	for _, v := range x {
		at = weight*v + (1-weight)*at
		averages = append(averages, at)
	}
	return averages, width * sigma * math.Sqrt(weight/(2-weight)), checkFinite(append(averages, at))
}

// Cusum is the tabular cumulative sum of values about a target (NIST/SEMATECH e-Handbook 6.3.2.3): what exceeds the allowance
// adds up on each side and never falls under zero. The first observation (from 1) whose sum passes the height is the signal of
// its side; 0 is none.
func Cusum(x []float64, target, allowance, height float64) (upper, lower []float64, upSignal, downSignal int, err error) {
	if !(allowance >= 0 && allowance <= maxSize && height > 0 && height <= maxSize && math.Abs(target) <= maxSize) {
		return nil, nil, 0, 0, fmt.Errorf("an allowance of %g and a height of %g make no chart", allowance, height)
	}
	if err := checkFinite(x); err != nil {
		return nil, nil, 0, 0, err
	}
	up, down := 0.0, 0.0
	for i, v := range x {
		up, down = math.Max(0, up+v-target-allowance), math.Max(0, down+target-allowance-v)
		upper, lower = append(upper, up), append(lower, down)
		if up > height && upSignal == 0 {
			upSignal = i + 1
		}
		if down > height && downSignal == 0 {
			downSignal = i + 1
		}
	}
	return upper, lower, upSignal, downSignal, nil
}
