package exceedance

import (
	"fmt"
	"math"
	"strings"

	"coldsection.example/services/platform/fault"
)

// Sighting is an event of which only the highest value is known and perhaps how long it lasted, as a log or a person tells of it.
type Sighting struct {
	Peak     float64
	Duration float64 // s at or over the lowest value of any zone
	Timed    bool    // the duration is known
	// Zone and WorstZone are the places in the chart's list of the severest zones that it surely meets and may meet; −1 is none.
	Zone, WorstZone int
	// Beyond says that it reaches past the whole chart: the document, not the chart, decides.
	Beyond bool
}

// Timed judges a peak that lasted so long [s], as if it had been as high for the whole time: a sheet of paper tells no more, and
// less would be a guess. Reasons: those of Check, TRACE_INVALID.
func (c *Chart) Timed(peak, duration float64) (Sighting, error) {
	if !(duration >= 0 && duration <= 1e9) {
		return Sighting{}, fault.Invalid("duration", "TRACE_INVALID", "A duration of %g s makes no sense. Correct it, or leave it out when nobody knows.", duration)
	}
	s, furthest, err := c.sighted(peak)
	s.Duration, s.Timed = duration, true
	if err != nil || peak < c.Lowest() {
		return s, err
	}
	s.Zone = c.severest([]Vertex{{duration, c.Lowest()}, {duration, peak}, {0, peak}})
	s.WorstZone, s.Beyond = s.Zone, s.Beyond || duration > furthest.Duration
	return s, nil
}

// Glimpsed judges a value that was seen once: nobody knows how long it lasted, so it may meet each zone that reaches down to it.
// Reasons: those of Check, TRACE_INVALID.
func (c *Chart) Glimpsed(value float64) (Sighting, error) {
	s, _, err := c.sighted(value)
	if err != nil || value < c.Lowest() {
		return s, err
	}
	s.Zone = c.severest([]Vertex{{0, c.Lowest()}, {0, value}})
	s.WorstZone = c.reached(s.Zone, value)
	return s, nil
}

// reached is the severest of a zone and of those that reach down to a value, which an event of unknown length may meet.
func (c *Chart) reached(zone int, value float64) int {
	for i := range c.Zones {
		if c.Zones[i].Lowest() <= value {
			zone = c.Severer(zone, i)
		}
	}
	return zone
}

// sighted is a sighting that meets no zone yet.
func (c *Chart) sighted(peak float64) (s Sighting, furthest Vertex, err error) {
	if err := c.Check(); err != nil {
		return s, furthest, err
	}
	if !(math.Abs(peak) <= 1e9) {
		return s, furthest, fault.Invalid("peak", "TRACE_INVALID", "A highest value of %g is no measurement. Correct it.", peak)
	}
	_, furthest = c.bounds()
	return Sighting{Peak: peak, Zone: -1, WorstZone: -1, Beyond: peak > furthest.Value}, furthest, nil
}

// Unsure says that the zone is not known for certain.
func (s *Sighting) Unsure() bool { return s.WorstZone != s.Zone || s.Beyond }

// Words say a sighting in a sentence or two.
func (s *Sighting) Words(c *Chart) string {
	parts := []string{fmt.Sprintf("The highest value is %.6g; the chart begins at %.6g.", s.Peak, c.Lowest())}
	if s.Timed {
		parts = append(parts, fmt.Sprintf("It lasted %.4g s, taken as at its highest for the whole time.", s.Duration))
	} else if s.Peak >= c.Lowest() {
		parts = append(parts, "How long it lasted is not known.")
	}
	if s.Zone >= 0 {
		parts = append(parts, fmt.Sprintf("It meets the zone %q of %s.", c.Zones[s.Zone].ID, c.Zones[s.Zone].Document))
	} else {
		parts = append(parts, "It surely meets no zone.")
	}
	if s.WorstZone != s.Zone {
		parts = append(parts, fmt.Sprintf("It may meet the zone %q: look for a record with its duration, or act on that zone.", c.Zones[s.WorstZone].ID))
	}
	if s.Beyond {
		parts = append(parts, "It reaches past the chart. The document decides, not the chart.")
	}
	return strings.Join(parts, " ")
}
