package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Zones is a trace against the zones of a chart of exceedances: over time, and by how long it was at or over each value.
type Zones struct {
	Engine        string   // which engine and when, as a sentence; empty for a trace of no engine
	Model         string   // as people call it, with its revision
	Chart         string   // what it is a chart of, when it applies, and its document with revision
	Demonstration bool     // invented engine data
	Cautions      []string // what comes before anything else
	Parameter     string   // such as "ITT"
	Unit          string   // of all values, as people read it
	Trace         []Sample // oldest first, at least one
	Gap           float64  // s; between samples further apart no line is drawn
	Zones         []Zone   // mildest first, at least one
	Events        []Stay   // in the order of time
	More          int      // events that are not drawn, as they are no severer
}

// Sample is one value of a trace.
type Sample struct {
	At    float64 // s
	Value float64
}

// Zone is an area of the chart of exceedances.
type Zone struct {
	Name    string
	Action  string // in the document's words
	Lowest  float64
	Corners []Corner
}

// Corner is a place in the plane of duration [s] and value.
type Corner struct{ Duration, Value float64 }

// Stay is an event at or over the lowest value of any zone.
type Stay struct {
	Start, End   float64 // s
	AtLeast      bool    // there was more of it that no sample tells
	Peak, PeakAt float64
	Curve, Worst []Corner  // how long at or over each value; Worst counts the gaps in, and is empty when there are none
	InZones      []float64 // s at or over the lowest value of each zone
	Words        string
}

// tints of the zones, the severest last; black text keeps 7 to 1 and more on each (WCAG 2.2, 1.4.6).
var tints = []string{"#fdf0d8", "#fbdcae", "#f7c283", "#f2a766"}

func tint(i, of int) string { return tints[len(tints)-1-min(of-1-i, len(tints)-1)] }

func (z Zones) title() string { return "Exceedance by the chart of " + z.Model }

// about says whose trace it is, and what it is held against.
func (z *Zones) about() string { return strings.TrimSpace(z.Engine + " " + z.Chart) }

// limit is the lowest value of any zone.
func (z *Zones) limit() float64 {
	low := math.Inf(1)
	for _, zone := range z.Zones {
		low = math.Min(low, zone.Lowest)
	}
	return low
}

// Words are the picture in words, the cautions first.
func (z Zones) Words() string {
	parts := append(slices.Clone(z.Cautions), z.title()+". "+z.about()+".")
	if z.Demonstration {
		parts = append(parts, "Invented engine data, for demonstration only.")
	}
	return strings.Join(append(parts, z.notes()...), " ")
}

// notes say what was found, event by event, and what is drawn.
func (z *Zones) notes() (notes []string) {
	if len(z.Events) == 0 {
		notes = append(notes, fmt.Sprintf("No sample reaches the lowest value of any zone, %.6g %s.", z.limit(), z.Unit))
	}
	for i, e := range z.Events {
		notes = append(notes, fmt.Sprintf("%d. %s %s", i+1, e.Words, z.times(e)))
	}
	if z.More > 0 {
		notes = append(notes, fmt.Sprintf("%d more events, none of them severer, are not drawn. Evaluate the same trace to read of all.", z.More))
	}
	for _, zone := range z.Zones {
		notes = append(notes, fmt.Sprintf("Zone %s asks for, in the document's words: %s", zone.Name, zone.Action))
	}
	return append(notes, fmt.Sprintf("Dots: samples. No line is drawn over more than %.4g s without one. Blue, below: how long the trace was at or over each value; "+
		"dashed: the same if missing samples were as high as those beside them.", z.Gap))
}

// times say how long an event was at or over the lowest value of each zone.
func (z *Zones) times(e Stay) string {
	all := make([]string, len(z.Zones))
	for i, zone := range z.Zones {
		all[i] = fmt.Sprintf("%s %.4g s (from %.6g %s)", zone.Name, e.InZones[i], zone.Lowest, z.Unit)
	}
	atLeast := ""
	if e.AtLeast {
		atLeast = ", at least"
	}
	return "Time at or over the lowest value of each zone" + atLeast + ": " + strings.Join(all, ", ") + "."
}
