package reorder

import "math"

// Split takes a series of use per period apart into the sizes of what was used and the periods from one use to the next, the
// first counted from the beginning of the series.
func Split(series []float64) (sizes, intervals []float64) {
	last := -1
	for i, v := range series {
		if v > 0 {
			sizes, intervals = append(sizes, v), append(intervals, float64(i-last))
			last = i
		}
	}
	return sizes, intervals
}

// Forecast is use per period of what is used now and then.
type Forecast struct {
	Size, Interval float64 // smoothed
	Croston        float64 // size over interval
	SBA            float64 // Croston times (1 − α/2), which takes out most of its bias
	SBJ            float64 // Croston times (1 − α/(2 − α))
}

// Croston smooths sizes and intervals, each beginning with its first value; packages differ in this beginning.
func Croston(series []float64, alpha float64) (Forecast, bool) {
	sizes, intervals := Split(series)
	if len(sizes) == 0 {
		return Forecast{}, false
	}
	f := Forecast{Size: smooth(sizes, alpha), Interval: smooth(intervals, alpha)}
	f.Croston = f.Size / f.Interval
	f.SBA, f.SBJ = f.Croston*(1-alpha/2), f.Croston*(1-alpha/(2-alpha))
	return f, true
}

func smooth(values []float64, alpha float64) float64 {
	level := values[0]
	for _, v := range values[1:] {
		level += alpha * (v - level)
	}
	return level
}

// Class says how use comes: "smooth", "erratic", "intermittent" or "lumpy", by the mean interval and the squared coefficient
// of variation of the sizes, cut at 1.32 and 0.49 (Syntetos, Boylan & Croston, JORS 56, 2005; cuts from memory).
func Class(series []float64) (class string, interval, variation float64) {
	sizes, intervals := Split(series)
	if len(sizes) == 0 {
		return "none", 0, 0
	}
	mean, deviation := meanOf(sizes)
	interval, _ = meanOf(intervals)
	variation = deviation * deviation / (mean * mean)
	switch {
	case interval > 1.32 && variation > 0.49:
		class = "lumpy"
	case interval > 1.32:
		class = "intermittent"
	case variation > 0.49:
		class = "erratic"
	default:
		class = "smooth"
	}
	return class, interval, variation
}

// meanOf is the mean and the sample standard deviation.
func meanOf(values []float64) (mean, deviation float64) {
	for _, v := range values {
		mean += v / float64(len(values))
	}
	var squares float64
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	if len(values) > 1 {
		deviation = math.Sqrt(squares / float64(len(values)-1))
	}
	return mean, deviation
}
