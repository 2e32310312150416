// Package analysis turns the readings of one engine into deviations, a level, wash advice, changes with their causes, and the
// recovery of washes.
//
// A Tracker takes readings and events in the order of their times, each at the same cost however many came before; what it
// says of a reading rests on that reading and those before it. Analyse sorts, tracks and measures the washes, so its result
// does not depend on the order in which readings came in.
package analysis

import (
	"cmp"
	"slices"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

// State says whether a reading is used.
type State int

// The states.
const (
	Accepted State = iota + 1
	Held
	Outlier
	Excluded
	Duplicate
)

// Reading is one reading of the engine.
type Reading struct {
	ID       string
	At       time.Time
	Hours    float64 // of operation since new; 0 when not known
	Point    baseline.Point
	Excluded bool // taken out by a person
	Included bool // taken in by a person in spite of the rules
	Unread   bool // nobody read its airspeed, and it is of no engine at rest
}

// Verdict is what the analysis made of a reading.
type Verdict struct {
	State     State
	Reason    string // UPPER_SNAKE_CASE
	Text      string
	Deviation baseline.Values
	Level     float64 // smoothed ITT deviation [°C] after this reading
	Analysed  bool    // a deviation was computed
	theta     float64 // of the air
}

// Event is something done to the engine.
type Event struct {
	At        time.Time
	Hours     float64
	Kind      string // recovery_wash, salt_rinse, hot_section, sensor_work, overhaul, other
	WorkOrder string
}

// Rules are the operator's rules and the stated false-alarm rate.
type Rules struct {
	ProgrammeHours, ProgrammeDays int
	FalseAdviceDays               float64                    // average days between false advices, and between false changes, on a healthy engine; 0 means 2,700
	NoiseITT                      float64                    // standard deviation of single readings [°C]; 0 is learned from the engine
	NoiseNg, NoiseFuel            float64                    // the same of Ng [% points] and fuel flow [%], of pairs of engines; 0 is usual
	WorthITT                      float64                    // rise of ITT [°C] since the reference that is worth a wash; 0 means that of 3 % of power
	Signatures                    map[string]baseline.Values // what causes do to this engine, any amount of each; what is missing is that of the demonstration engine
	Habits                        map[string]Habit           // how causes come on this engine; what is missing or zero is usual
	MoreFlow                      baseline.Values            // what one more per cent of flow lost to dirt does; all zero is the demonstration engine's
	FlowSpread                    float64                    // standard deviation of that per cent; 0 is usual
}

// Habit is how a cause comes. Zeros are usual: common practice, no source.
type Habit struct {
	Size  float64 // standard deviation, in units of its own signature
	Prior float64 // how often beside the others
	Slow  float64 // share of the cases that come slowly
}

// Advice is a recommended wash.
type Advice struct {
	At      time.Time
	Cause   string // trend or programme
	Reasons []string
	Level   float64 // ITT deviation then [°C]
	Cycle   int     // how many washes came before; with Cause it identifies the advice
}

// Result is the whole analysis.
type Result struct {
	Verdicts   []Verdict // in the order of Readings
	Readings   []Reading // sorted by time; those that were given when they were
	Advices    []Advice
	HeldBack   []Advice // that a wash would not answer, with what to do first
	Recoveries []Recovery
	Shifts     []Shift
	Level      Estimate // ITT deviation now
	Ng, Fuel   Estimate
	Slope      Estimate  // °C per 100 h
	Reference  float64   // level after the last wash, which the trend rule compares with
	Based      bool      // there is a reference
	Theta      float64   // mean of the readings behind Level; 0 when there are none
	Behind     int       // how many those are
	Noise      float64   // standard deviation of single ITT readings [°C]
	Threshold  float64   // cumulative sum at which the trend rule advises, in long-run standard deviations
	Used, Kept int       // readings accepted, readings held
	Last       time.Time // of an accepted reading
	Cycle      int       // washes so far
	Withheld   string    // why no wash is advised for a level that rose; empty when none is held back now
	Wash       Event     // the last one
	WashAge    float64   // hours of operation since then, by the newest reading whose hours are believed; 0 when not known
}

// Estimate is a value with the half width of its 90 % interval.
type Estimate struct{ Value, Half float64 }

// Analyse works everything out.
func Analyse(model *baseline.Model, readings []Reading, events []Event, rules Rules) Result {
	r, _ := AnalyseFrom(model, readings, events, rules)
	return r
}

// AnalyseFrom is Analyse with the tracker that can go on from there.
func AnalyseFrom(model *baseline.Model, readings []Reading, events []Event, rules Rules) (Result, *Tracker) {
	r := Result{Readings: sorted(readings)}
	events = slices.Clone(events)
	slices.SortStableFunc(events, func(a, b Event) int { return a.At.Compare(b.At) })
	r.Verdicts = make([]Verdict, len(r.Readings))
	tracker, next := NewTracker(rules), 0
	for i := range r.Readings {
		for ; next < len(events) && !events[next].At.After(r.Readings[i].At); next++ {
			tracker.Event(events[next])
		}
		tracker.read(model, &r.Readings[i], &r.Verdicts[i])
	}
	for _, e := range events[next:] {
		tracker.Event(e)
	}
	tracker.tell(&r)
	return r, tracker
}

// sorted are readings by time: the same slice when they come so, as most do, else another one.
func sorted(readings []Reading) []Reading {
	for i := 1; i < len(readings); i++ {
		if inOrder(&readings[i-1], &readings[i]) > 0 {
			out := slices.Clone(readings)
			slices.SortFunc(out, func(a, b Reading) int { return inOrder(&a, &b) })
			return out
		}
	}
	return slices.Clip(readings)
}

// inOrder compares readings by time.
func inOrder(a, b *Reading) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	return cmp.Compare(a.ID, b.ID)
}
