package exceedance

import (
	"math"
	"slices"
)

// Event is one exceedance.
type Event struct {
	Start, End float64 // s of the trace, by linear crossing of the lowest value of any zone
	Peak       float64 // the highest sample
	PeakAt     float64 // s
	Duration   float64 // s at or over the lowest value of any zone, in all
	Longest    float64 // s of the longest unbroken excursion
	Interval   float64 // s, the longest time between its samples: each duration is only known to within one
	Samples    int
	Gaps       []Gap // longer than the chart's; with any, durations are "at least"
	// Cut says that the trace begins or ends at or over the lowest value of any zone: how long the event lasted in all is not known.
	Cut bool
	// Zone is the place in the chart's list of the severest zone that was met; −1 is none.
	Zone int
	// WorstZone is the same if the gaps were as high as their ends, and if what was cut off lasted as long as any zone asks; −1 is none.
	WorstZone int
	// Curve is how long [s] the event was at or over each value, which rises along it; Worst the same if the gaps were as high as
	// their ends.
	Curve, Worst []Vertex
	// Beyond says that the event reaches past the whole chart, in the worst case at least: the document, not the chart, decides.
	Beyond bool
}

// Gap is a time [s] without samples.
type Gap struct{ Start, End float64 }

// Judge finds the events of a trace and the zones that they meet. A trace under every zone has none. Reasons: those of Check,
// TRACE_INVALID, TRACE_AMBIGUOUS.
func (c *Chart) Judge(trace []Sample) ([]Event, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	trace, err := checkTrace(trace)
	if err != nil {
		return nil, err
	}
	lowest, _ := c.bounds()
	var events []Event
	for _, x := range excursions(trace, lowest, c.Reset) {
		events = append(events, c.event(trace, x, lowest))
	}
	return events, nil
}

func (c *Chart) event(trace []Sample, x excursion, lowest float64) Event {
	e := Event{Start: x.start, End: x.end, Peak: math.Inf(-1)}
	var known, all []stretch
	for i, s := range trace {
		if s.At >= x.start && s.At <= x.end {
			e.Samples++
			if s.Value > e.Peak {
				e.Peak, e.PeakAt = s.Value, s.At
			}
		}
		if i == 0 || s.At <= x.start || trace[i-1].At >= x.end {
			continue
		}
		part := stretch{trace[i-1], s}
		all = append(all, part)
		if part.length() > c.Gap {
			e.Gaps = append(e.Gaps, Gap{trace[i-1].At, s.At})
			continue
		}
		known = append(known, part)
		e.Interval = math.Max(e.Interval, part.length())
	}
	e.Duration = total(known, lowest, false)
	e.Longest = longest(known, lowest)
	e.Curve, e.Worst = c.curve(known, trace, x, lowest), c.curve(all, trace, x, lowest)
	e.Zone, e.WorstZone = c.severest(e.Curve), c.severest(e.Worst)
	if e.Cut = x.start <= trace[0].At || x.end >= trace[len(trace)-1].At; e.Cut {
		e.WorstZone = c.reached(e.WorstZone, e.Peak)
	}
	_, furthest := c.bounds()
	e.Beyond = slices.ContainsFunc(e.Worst, func(v Vertex) bool { return v.Duration > furthest.Duration || v.Value > furthest.Value })
	return e
}

// AtLeast says that durations are no more than what is known: there was more of the event that no sample tells.
func (e *Event) AtLeast() bool { return e.Cut || len(e.Gaps) > 0 }

// AtOrOver is how long [s] the event was at or over a value; "at least" where AtLeast says so.
func (e *Event) AtOrOver(value float64) float64 {
	last := Vertex{}
	for i, v := range e.Curve {
		switch {
		case v.Value == value:
			return v.Duration
		case v.Value > value && i == 0:
			return v.Duration // the whole event lies higher
		case v.Value > value:
			return last.Duration + (value-last.Value)/(v.Value-last.Value)*(v.Duration-last.Duration)
		}
		last = v
	}
	return 0
}

func total(parts []stretch, level float64, strictly bool) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += p.above(level, strictly)
	}
	return sum
}

// longest is the longest unbroken time at or over a level.
func longest(parts []stretch, level float64) float64 {
	best, run := 0.0, 0.0
	for i, p := range parts {
		if i > 0 && parts[i-1].to != p.from || p.from.Value < level {
			run = 0
		}
		run += p.above(level, false)
		best = math.Max(best, run)
		if p.to.Value < level {
			run = 0
		}
	}
	return best
}

// curve is how long the event was at or over each value. It bends at the samples only, because the trace is linear between.
func (c *Chart) curve(parts []stretch, trace []Sample, x excursion, lowest float64) []Vertex {
	levels := []float64{lowest}
	for _, s := range trace {
		if s.At >= x.start && s.At <= x.end && s.Value > lowest {
			levels = append(levels, s.Value)
		}
	}
	slices.Sort(levels)
	levels = slices.Compact(levels)
	var curve []Vertex
	for _, level := range levels {
		curve = append(curve, Vertex{total(parts, level, false), level}, Vertex{total(parts, level, true), level})
	}
	return curve
}

// severest is the place of the severest zone that the curve meets; −1 when it meets none.
func (c *Chart) severest(curve []Vertex) int {
	best := -1
	for i := range c.Zones {
		z := &c.Zones[i]
		if best >= 0 && z.Severity <= c.Zones[best].Severity {
			continue
		}
		for j := range curve {
			if z.touches(curve[j], curve[min(j+1, len(curve)-1)]) {
				best = i
				break
			}
		}
	}
	return best
}
