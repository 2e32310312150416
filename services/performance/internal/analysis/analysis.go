// Package analysis turns the readings of one engine into deviations, a level, wash advice and the recovery of washes.
//
// It is a pure function of the readings in time order, so the result does not depend on the order in which they came in,
// and it never looks ahead: an advice at a time rests on readings up to that time.
package analysis

import (
	"cmp"
	"fmt"
	"math"
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
}

// Verdict is what the analysis made of a reading.
type Verdict struct {
	State     State
	Reason    string // UPPER_SNAKE_CASE
	Text      string
	Deviation baseline.Values
	Level     float64 // smoothed ITT deviation [°C] after this reading
	Analysed  bool    // a deviation was computed
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
	FalseAdviceDays               float64 // average days between false advices on a healthy engine; 0 means 2,700
	NoiseITT                      float64 // standard deviation of single readings [°C]; 0 is learned from the engine
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
	Readings   []Reading // sorted by time
	Advices    []Advice
	Recoveries []Recovery
	Shifts     []Shift
	Level      Estimate // ITT deviation now
	Ng, Fuel   Estimate
	Slope      Estimate // °C per 100 h
	Reference  float64  // level after the last wash, which the trend rule compares with
	Noise      float64  // standard deviation of single ITT readings [°C]
	Threshold  float64  // rise at which the trend rule would see a step at once [°C]
	Used, Kept int      // readings accepted, readings held
}

// Estimate is a value with the half width of its 90 % interval.
type Estimate struct{ Value, Half float64 }

const (
	referenceCount = 20  // readings after a wash that make the reference level
	levelWindow    = 15  // readings behind the present level
	defaultNoise   = 4.0 // °C, until there are enough readings to learn it
	z90            = 1.6449
	farITT         = 60.0 // °C: no condition of an engine that still flies
	farNg          = 6.0  // % points
	farFuel        = 15.0 // %
)

// Analyse works everything out.
func Analyse(model *baseline.Model, readings []Reading, events []Event, rules Rules) Result {
	r := Result{Readings: slices.Clone(readings)}
	slices.SortFunc(r.Readings, func(a, b Reading) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	events = slices.Clone(events)
	slices.SortFunc(events, func(a, b Event) int { return a.At.Compare(b.At) })
	r.Verdicts = make([]Verdict, len(r.Readings))
	for i := range r.Readings {
		r.Verdicts[i] = judge(model, r.Readings, i)
	}
	r.Noise = cmp.Or(rules.NoiseITT, learnNoise(r))
	r.markOutliers(events)
	walk := newWalk(&r, events, rules)
	for i := range r.Readings {
		walk.step(i)
	}
	walk.finish()
	for i, e := range events {
		if e.Kind == "recovery_wash" {
			r.Recoveries = append(r.Recoveries, recover90(r, events, i))
		}
	}
	return r
}

// judge looks at one reading: what a person decided, whether it is there twice, whether it can be true.
func judge(model *baseline.Model, all []Reading, i int) Verdict {
	reading := all[i]
	if reading.Excluded {
		return Verdict{State: Excluded, Reason: "EXCLUDED_BY_PERSON", Text: "Taken out of the analysis by a person."}
	}
	if i > 0 && all[i-1].At.Equal(reading.At) {
		if all[i-1].Point == reading.Point {
			return Verdict{State: Duplicate, Reason: "DUPLICATE", Text: "The same reading stands here already."}
		}
		if !reading.Included {
			return Verdict{State: Held, Reason: "TWO_VALUES_FOR_ONE_TIME", Text: "Another reading of this time has other values. Exclude the wrong one."}
		}
	}
	x, err := model.Expect(reading.Point)
	if err != nil {
		return Verdict{State: Held, Reason: "OUT_OF_RANGE", Text: err.Error() + "."}
	}
	v := Verdict{State: Accepted, Deviation: x.Deviation(reading.Point), Analysed: true}
	if reading.Included || plausible(v.Deviation) {
		return v
	}
	v.State = Held
	v.Reason, v.Text = suspect(model, reading.Point, v.Deviation)
	return v
}

func plausible(d baseline.Values) bool {
	return math.Abs(d.ITT) <= farITT && math.Abs(d.Ng) <= farNg && math.Abs(d.Fuel) <= farFuel
}

// suspect names the mistake that explains an implausible reading, if one does.
func suspect(model *baseline.Model, p baseline.Point, d baseline.Values) (reason, text string) {
	celsius := p
	celsius.OAT = (p.OAT - 32) * 5 / 9
	if x, err := model.Expect(celsius); err == nil && plausible(x.Deviation(celsius)) {
		return "OAT_LOOKS_LIKE_FAHRENHEIT", fmt.Sprintf("With %.0f read as °F the reading fits. Correct the air temperature, or include it as it is.", p.OAT)
	}
	return "IMPLAUSIBLE", fmt.Sprintf("It differs from a clean engine by %+.0f °C ITT, %+.1f %% Ng and %+.0f %% fuel flow. Check it against the log.", d.ITT, d.Ng, d.Fuel)
}

// learnNoise is the scatter of neighbours: the median absolute difference of successive accepted readings, scaled to a
// standard deviation (1.4826/√2), which a slow trend and single steps hardly touch.
func learnNoise(r Result) float64 {
	var steps []float64
	last := math.NaN()
	for _, v := range r.Verdicts {
		if v.State != Accepted {
			continue
		}
		if !math.IsNaN(last) {
			steps = append(steps, math.Abs(v.Deviation.ITT-last))
		}
		last = v.Deviation.ITT
	}
	if len(steps) < 15 {
		return defaultNoise
	}
	return math.Max(0.5, median(steps)*1.4826/math.Sqrt2)
}

// markOutliers applies Hampel's rule: further than 3 scaled median deviations, and 4 noise, from the median of up to seven
// accepted readings before it and itself, and begins anew at everything done to the engine. It looks back only. A run of the same sign is a shift and is not marked.
func (r *Result) markOutliers(events []Event) {
	var window []float64
	marked, next := 0, 0
	for i := range r.Verdicts {
		for next < len(events) && !events[next].At.After(r.Readings[i].At) {
			window = nil
			next++
		}
		v := &r.Verdicts[i]
		if v.State != Accepted || r.Readings[i].Included {
			continue
		}
		m := median(window)
		if len(window) >= 5 && marked < 2 && math.Abs(v.Deviation.ITT-m) > math.Max(4*r.Noise, 3*1.4826*medianDistance(window, m)) {
			v.State, v.Reason = Outlier, "FAR_FROM_NEIGHBOURS"
			v.Text = fmt.Sprintf("ITT deviation %+.1f °C, the readings before it %+.1f °C.", v.Deviation.ITT, m)
			marked++
			continue
		}
		marked = 0
		if window = append(window, v.Deviation.ITT); len(window) > 7 {
			window = window[1:]
		}
	}
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(x))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

func medianDistance(x []float64, m float64) float64 {
	d := make([]float64, len(x))
	for i := range x {
		d[i] = math.Abs(x[i] - m)
	}
	return median(d)
}
