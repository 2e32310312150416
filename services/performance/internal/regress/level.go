package regress

import (
	"fmt"
	"math"
)

// Level is a filtered level with its variance.
type Level struct{ Mean, Variance float64 }

// LocalLevel filters a series whose level walks at random: noise and walk are the variances of one observation and of one
// step, first the variance of the level before anything was seen, mean 0 (Durbin and Koopman, Time Series Analysis by State
// Space Methods, chapter 2). It returns the level after each observation and the log likelihood without the first one.
func LocalLevel(y []float64, noise, walk, first float64) ([]Level, float64, error) {
	if !(noise > 0 && noise <= maxSize && walk >= 0 && walk <= maxSize && first > 0 && first <= maxSize) {
		return nil, 0, fmt.Errorf("variances of %g, %g and %g are none; the noise and the first must be positive", noise, walk, first)
	}
	levels, likelihood := make([]Level, 0, len(y)), 0.0
	mean, variance := 0.0, first
	for i, v := range y {
		if !(math.Abs(v) <= maxSize) {
			return nil, 0, fmt.Errorf("value %d is %g", i+1, v)
		}
		f, miss := variance+noise, v-mean
		if i > 0 {
			likelihood -= (math.Log(2*math.Pi*f) + miss*miss/f) / 2
		}
		mean, variance = mean+variance/f*miss, variance*noise/f
		levels = append(levels, Level{mean, variance})
		variance += walk
	}
	if err := checkFinite([]float64{likelihood, mean, variance}); err != nil {
		return nil, 0, err
	}
	return levels, likelihood, nil
}
