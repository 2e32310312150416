package exceedance

import (
	"fmt"
	"strings"
)

// Cautions are what comes before anything else, in this order. Common practice, no source.
func Cautions() []string {
	return []string{
		"The approved maintenance data of the engine decide what an exceedance asks for; this answer only reads the operator's chart.",
		"Do not fly the engine before a licensed person has read the document of the zone and signed what it asks for.",
		"A peak between two samples is not seen. When in doubt take the severer zone.",
	}
}

// Lowest is the lowest value of any zone.
func (c *Chart) Lowest() float64 {
	lowest, _ := c.bounds()
	return lowest
}

// Words say an event in a sentence or two: how high, how long, and what that means on its chart.
func (e *Event) Words(c *Chart) string {
	atLeast := ""
	if e.AtLeast() {
		atLeast = "at least "
	}
	parts := []string{fmt.Sprintf("The highest sample is %.6g, and the trace is at or over %.6g for %s%.4g s, known to within %.3g s.", e.Peak, c.Lowest(), atLeast, e.Duration, e.Interval)}
	if e.Zone >= 0 {
		parts = append(parts, fmt.Sprintf("It meets the zone %q of %s.", c.Zones[e.Zone].ID, c.Zones[e.Zone].Document))
	} else {
		parts = append(parts, "It surely meets no zone.")
	}
	if e.Cut {
		parts = append(parts, fmt.Sprintf("The trace begins or ends at or over %.6g, so how long it lasted in all is not known.", c.Lowest()))
	}
	if e.WorstZone != e.Zone {
		parts = append(parts, fmt.Sprintf("Samples are missing: it may meet the zone %q. Look for a better record, or act on that zone.", c.Zones[e.WorstZone].ID))
	}
	if e.Beyond {
		parts = append(parts, "It reaches past the chart. The document decides, not the chart.")
	}
	return strings.Join(parts, " ")
}
