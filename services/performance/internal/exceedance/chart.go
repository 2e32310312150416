// Package exceedance holds a trace of temperature, torque or speed against an operator's chart of zones in the plane of
// duration and value, and says which zone's action it calls for.
//
// Durations are s, values are in the unit of the chart, severity counts upwards. A trace is linear between its samples; a
// peak is a sample, never interpolated above one. Excursions closer to each other than the reset time are one event. An event
// is judged by its whole curve "this long at or above this value", so that a long low part and a short high part each meet
// their zone; a boundary belongs to the severer zone, and what lies beyond the chart outranks every zone. Zones are approved
// data of the operator with their document; starts and flight have charts of their own. The package only calculates.
package exceedance

import (
	"math"

	"coldsection.example/services/platform/fault"
)

// Vertex is a corner of a zone.
type Vertex struct {
	Duration float64 // s
	Value    float64
}

// Zone is an area of a chart with what to do.
type Zone struct {
	ID       string
	Severity int // the larger, the more has to be done
	Action   string
	Document string   // with its revision
	Corners  []Vertex // in order around it
}

// Chart is the zones of one parameter in one kind of running.
type Chart struct {
	Zones []Zone
	Reset float64 // s; excursions closer than this are one event
	// Gap is the longest time [s] between samples across which the trace is taken as linear; a longer one makes every
	// duration "at least".
	Gap float64
}

// MaxZones and MaxCorners are the most zones of a chart and corners of a zone.
const (
	MaxZones   = 64
	MaxCorners = 64
)

// Check refuses a chart that can't be used. Reasons: EXCEEDANCE_CHART_INVALID, DOCUMENT_MISSING.
func (c *Chart) Check() error {
	bad := func(format string, args ...any) error {
		return fault.Invalid("exceedance_chart", "EXCEEDANCE_CHART_INVALID", format, args...)
	}
	if len(c.Zones) == 0 || len(c.Zones) > MaxZones {
		return bad("The chart has %d zones; it needs 1 to %d. Enter them from the approved data.", len(c.Zones), MaxZones)
	}
	if !(c.Reset >= 0 && c.Reset <= 1e6 && c.Gap > 0 && c.Gap <= 1e6) {
		return bad("A reset time of %g s or a longest gap of %g s makes no sense. Give the reset time, and a gap of more than 0 s.", c.Reset, c.Gap)
	}
	seen := map[string]bool{}
	for i := range c.Zones {
		z := &c.Zones[i]
		if z.ID == "" || seen[z.ID] {
			return bad("Two zones are called %q, or one has no name. Give each a name of its own.", z.ID)
		}
		seen[z.ID] = true
		if z.Action == "" || z.Document == "" {
			return fault.Invalid("exceedance_chart", "DOCUMENT_MISSING", "The zone %q says no action or names no document. Enter both from the approved data.", z.ID)
		}
		if why := z.flaw(); why != "" {
			return bad("The zone %q %s. Correct its corners.", z.ID, why)
		}
	}
	return nil
}

func (z *Zone) flaw() string {
	if len(z.Corners) < 3 || len(z.Corners) > MaxCorners {
		return "needs 3 to 64 corners"
	}
	area := 0.0
	for i, a := range z.Corners {
		if !(a.Duration >= 0 && a.Duration <= 1e9 && math.Abs(a.Value) <= 1e9) {
			return "has a corner outside 0 to 10⁹ s or ±10⁹"
		}
		b := z.Corners[(i+1)%len(z.Corners)]
		area += a.Duration*b.Value - b.Duration*a.Value
	}
	if math.Abs(area) < 1e-9 {
		return "has no area"
	}
	return ""
}

// bounds are the lowest value of any zone and the furthest corner of all.
func (c *Chart) bounds() (lowest float64, furthest Vertex) {
	lowest, furthest = math.Inf(1), Vertex{math.Inf(-1), math.Inf(-1)}
	for _, z := range c.Zones {
		for _, v := range z.Corners {
			lowest = math.Min(lowest, v.Value)
			furthest = Vertex{math.Max(furthest.Duration, v.Duration), math.Max(furthest.Value, v.Value)}
		}
	}
	return lowest, furthest
}

// Severer is the place of the severer of two zones; −1 is none, and of equals it is the first.
func (c *Chart) Severer(a, b int) int {
	if a < 0 || b >= 0 && c.Zones[b].Severity > c.Zones[a].Severity {
		return b
	}
	return a
}

// touches says whether a stretch of an event's curve meets the zone, its boundary included.
func (z *Zone) touches(from, to Vertex) bool {
	if z.contains(from) || z.contains(to) {
		return true
	}
	for i, a := range z.Corners {
		if crosses(from, to, a, z.Corners[(i+1)%len(z.Corners)]) {
			return true
		}
	}
	return false
}

// contains counts the boundary in.
func (z *Zone) contains(p Vertex) bool {
	inside := false
	for i, a := range z.Corners {
		b := z.Corners[(i+1)%len(z.Corners)]
		if between(p, a, b) {
			return true
		}
		if (a.Value > p.Value) != (b.Value > p.Value) &&
			p.Duration < a.Duration+(p.Value-a.Value)/(b.Value-a.Value)*(b.Duration-a.Duration) {
			inside = !inside
		}
	}
	return inside
}

// side is where p lies of the line from a to b: left, right, or 0 on it up to rounding.
func side(p, a, b Vertex) int {
	x, y := (b.Duration-a.Duration)*(p.Value-a.Value), (b.Value-a.Value)*(p.Duration-a.Duration)
	switch d := x - y; {
	case math.Abs(d) <= 1e-9*(math.Abs(x)+math.Abs(y)):
		return 0
	case d > 0:
		return 1
	default:
		return -1
	}
}

// between says whether p lies on the stretch from a to b.
func between(p, a, b Vertex) bool {
	const rounding = 1e-9
	return side(p, a, b) == 0 &&
		p.Duration >= math.Min(a.Duration, b.Duration)-rounding && p.Duration <= math.Max(a.Duration, b.Duration)+rounding &&
		p.Value >= math.Min(a.Value, b.Value)-rounding && p.Value <= math.Max(a.Value, b.Value)+rounding
}

func crosses(a, b, c, d Vertex) bool {
	if side(a, c, d)*side(b, c, d) < 0 && side(c, a, b)*side(d, a, b) < 0 {
		return true
	}
	return between(a, c, d) || between(b, c, d) || between(c, a, b) || between(d, a, b)
}
