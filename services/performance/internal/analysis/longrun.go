package analysis

import (
	"math"

	"coldsection.example/services/performance/internal/baseline"
)

const (
	memory       = 10  // readings after which the scatter of one reading says nothing of another's
	learnLongRun = 100 // accepted readings that it takes to learn the memory
)

// longRun is by how much the memory of an engine's scatter inflates the variance of a mean of many readings:
// 1 + 2·Σρ(k), with ρ(k) = 1 − V(k)/V(10) from the variogram V of all its accepted readings (half the mean squared
// difference of readings k apart, jumps cut to four scaled medians). Weather and condition make the scatter of a mean fall
// more slowly than that of neighbours alone tells. Never below 1; 1 with too few readings to learn it.
func longRun(r Result, of func(baseline.Values) float64) float64 {
	var x []float64
	for _, v := range r.Verdicts {
		if v.State == Accepted {
			x = append(x, of(v.Deviation))
		}
	}
	if len(x) < learnLongRun {
		return 1
	}
	far := variogram(x, memory)
	if far <= 0 {
		return 1
	}
	factor := 1.0
	for k := 1; k < memory; k++ {
		factor += 2 * (1 - variogram(x, k)/far)
	}
	return math.Max(1, factor)
}

func variogram(x []float64, apart int) float64 {
	steps := make([]float64, 0, len(x))
	for i := apart; i < len(x); i++ {
		steps = append(steps, math.Abs(x[i]-x[i-apart]))
	}
	limit, sum := 4*1.4826*median(steps), 0.0
	for _, s := range steps {
		sum += math.Pow(math.Min(s, limit), 2)
	}
	return sum / 2 / float64(len(steps))
}
