package exceedance

import "math"

// Lowest is the lowest value of a zone.
func (z *Zone) Lowest() float64 {
	low := math.Inf(1)
	for _, v := range z.Corners {
		low = math.Min(low, v.Value)
	}
	return low
}

// Ordered is a trace in order of time, with what came twice dropped. Reasons: TRACE_INVALID, TRACE_AMBIGUOUS.
func Ordered(trace []Sample) ([]Sample, error) { return checkTrace(trace) }
