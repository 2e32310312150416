// Package plan computes a wash plan from the operator's wash data: mix, antifreeze, flow through the ring, and every run,
// rest and soak inside the starter's limits. It calculates; approved maintenance data decide.
//
// Sources of the rules are named at each; engine figures are arguments, never constants. Amounts are in millilitres.
package plan

import "fmt"

// Activity is what an entry of the timeline is.
type Activity int

// The activities.
const (
	WashRun Activity = iota + 1
	RinseRun
	Rest
	Soak
	DryingRun
)

// Entry is one stretch of the timeline, in seconds from the first rotation.
type Entry struct {
	Activity             Activity
	Start, End           int
	ValveOpen, ValveShut int
	VolumeML             float64
	Note                 string
}

// Number is a figure with its arithmetic.
type Number struct {
	Label, Unit, Formula, Source, Alternate string
	Value                                   float64
}

// Plan is the result; Refusals say what can't be done and what would make it possible.
type Plan struct {
	SolutionML                       float64 // of the mixed solution
	CleanerML, WaterML, AntifreezeML float64 // of the solution, each measured by itself before mixing
	RinseWaterML, RinseAntifreezeML  float64 // of all rinses together
	Row                              *Row    // the antifreeze row used
	AntifreezeText                   string
	AntifreezeRefused                bool
	FlowLMin                         float64
	Profile                          Profile
	Timeline                         []Entry
	WashRuns, RinseRuns              int
	StarterSeconds, TotalSeconds     int
	Numbers                          []Number
	Refusals                         []string
}

// Compute makes the plan for a wash with solution (or, with rinseOnly, for a water rinse) at an air temperature, on a power
// source. temperature is nil while it is not known: then antifreeze is undecided.
func Compute(d Data, rinseOnly bool, temperature *float64, powerSource string) Plan {
	p := prepare(d, rinseOnly, temperature)
	p.choose(d, temperature, powerSource)
	if len(p.Refusals) > 0 {
		return p
	}
	p.timeline(d, rinseOnly)
	if len(p.Refusals) > 0 {
		p.others(d, rinseOnly, temperature)
	}
	return p
}

// prepare is the part of a plan that no power source changes.
func prepare(d Data, rinseOnly bool, temperature *float64) Plan {
	var p Plan
	p.mix(d, rinseOnly)
	p.RinseWaterML = d.RinseML * float64(d.rinses(rinseOnly))
	p.cold(d, temperature)
	p.flow(d)
	p.equipment(d)
	p.environment(d)
	return p
}

// others says which other profiles could do the wash that the chosen one can't.
func (p *Plan) others(d Data, rinseOnly bool, temperature *float64) {
	for _, candidate := range d.Profiles {
		if candidate.ID == p.Profile.ID || !candidate.suits(temperature) {
			continue
		}
		other := prepare(d, rinseOnly, temperature)
		if other.Profile = candidate; len(other.Refusals) == 0 {
			other.timeline(d, rinseOnly)
		}
		if len(other.Refusals) == 0 {
			p.refuse("Power source %q makes it possible: profile %s, %d runs, %d s of starter use.", candidate.PowerSource, candidate.ID, other.WashRuns+other.RinseRuns,
				other.StarterSeconds)
		}
	}
}

// rinses is how often the rinse volume goes through; a salt rinse rinses at least once.
func (d Data) rinses(rinseOnly bool) int {
	if rinseOnly {
		return max(1, d.RinseRuns)
	}
	return d.RinseRuns
}

func (p *Plan) refuse(format string, args ...any) {
	p.Refusals = append(p.Refusals, fmt.Sprintf(format, args...))
}

const flOz = 29.5735295625 // mL, exact (NIST Handbook 44, Appendix C)

func (p *Plan) number(label string, value float64, unit, formula, source string) {
	n := Number{Label: label, Value: value, Unit: unit, Formula: formula, Source: source}
	switch unit {
	case "mL":
		n.Alternate = fmt.Sprintf("%.1f US fl oz", value/flOz)
	case "kPa":
		n.Alternate = fmt.Sprintf("%.1f psi", value/6.894757293)
	case "L/min":
		n.Alternate = fmt.Sprintf("%.2f US gal/min", value/3.785411784)
	}
	p.Numbers = append(p.Numbers, n)
}
