package exceedance

import (
	"math"
	"slices"

	"coldsection.example/services/platform/fault"
)

// Sample is one value of a trace.
type Sample struct {
	At    float64 // s
	Value float64
}

// MaxSamples is how long a trace may be.
const MaxSamples = 5000

// checkTrace puts a trace in order and drops what came twice. Reasons: TRACE_INVALID, TRACE_AMBIGUOUS.
func checkTrace(trace []Sample) ([]Sample, error) {
	if len(trace) == 0 || len(trace) > MaxSamples {
		return nil, fault.Invalid("trace", "TRACE_INVALID", "The trace has %d samples; it needs 1 to %d. Split a longer one between its events.", len(trace), MaxSamples)
	}
	for i, s := range trace {
		if !(math.Abs(s.At) <= 1e12 && math.Abs(s.Value) <= 1e9) {
			return nil, fault.Invalid("trace", "TRACE_INVALID", "Sample %d is %g at %g s, which is no measurement. Remove or correct it.", i+1, s.Value, s.At)
		}
	}
	trace = slices.Clone(trace)
	slices.SortStableFunc(trace, func(a, b Sample) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	trace = slices.CompactFunc(trace, func(a, b Sample) bool { return a == b })
	for i := 1; i < len(trace); i++ {
		if trace[i].At == trace[i-1].At {
			return nil, fault.Invalid("trace", "TRACE_AMBIGUOUS", "There are two values for %g s: %g and %g. Keep the right one.", trace[i].At, trace[i-1].Value, trace[i].Value)
		}
	}
	return trace, nil
}

// stretch is the part of a trace between two samples.
type stretch struct{ from, to Sample }

func (s stretch) length() float64 { return s.to.At - s.from.At }

// above is how long [s] a stretch is at or over a level; strictly over it when asked.
func (s stretch) above(level float64, strictly bool) float64 {
	low, high := math.Min(s.from.Value, s.to.Value), math.Max(s.from.Value, s.to.Value)
	switch {
	case low > level || low == level && !strictly:
		return s.length()
	case high <= level:
		return 0
	default:
		return s.length() * (high - level) / (high - low)
	}
}

// excursion is the time [s] from when to when a trace is at or over a level.
type excursion struct{ start, end float64 }

// excursions finds where the trace is at or over a level, joined when they are no further apart than reset.
func excursions(trace []Sample, level, reset float64) []excursion {
	var list []excursion
	add := func(start, end float64) {
		if n := len(list); n > 0 && start-list[n-1].end <= reset {
			list[n-1].end = math.Max(list[n-1].end, end)
			return
		}
		list = append(list, excursion{start, end})
	}
	for i, s := range trace {
		if s.Value >= level {
			add(s.At, s.At)
		}
		if i+1 == len(trace) {
			break
		}
		next := trace[i+1]
		switch cross := s.At + (level-s.Value)/(next.Value-s.Value)*(next.At-s.At); {
		case s.Value >= level && next.Value >= level:
			add(s.At, next.At)
		case s.Value >= level:
			add(s.At, cross)
		case next.Value >= level:
			add(cross, next.At)
		}
	}
	return list
}

// TimeAbove is how long [s] a trace is at or over a level, in all; across gaps longer than this nothing is counted. Reasons:
// TRACE_INVALID, TRACE_AMBIGUOUS.
func TimeAbove(trace []Sample, level, gap float64) (float64, error) {
	trace, err := checkTrace(trace)
	if err != nil {
		return 0, err
	}
	if !(math.Abs(level) <= 1e9) {
		return 0, fault.Invalid("level", "TRACE_INVALID", "A level of %g makes no sense. Give a finite one.", level)
	}
	sum := 0.0
	for i := 1; i < len(trace); i++ {
		if s := (stretch{trace[i-1], trace[i]}); s.length() <= gap {
			sum += s.above(level, false)
		}
	}
	return sum, nil
}
