// Package plan computes a wash plan from the operator's wash data: mix, antifreeze, flow through the ring, and every run,
// rest and soak inside the starter's limits. It calculates; approved maintenance data decide.
//
// Sources of the rules are named at each; engine figures are arguments, never constants. Amounts are in millilitres.
package plan

import (
	"fmt"
	"math"
	"strings"
)

// Data is the operator's wash data.
type Data struct {
	Document                   string
	WaterParts, CleanerParts   int     // by volume
	BatchML, RinseML           float64 // solution for the wash; water for one rinse run
	StepML                     float64 // step of the measuring vessel
	RinseRuns                  int
	K                          float64 // ring: Q [L/min] = K·√p [kPa], from a catch test
	PressureKPa                float64 // gauge, at the container
	OpenDelay, CloseMargin     int     // seconds
	ValveWindow                int     // seconds the valve may be open in one run; 0 is not limited
	SoakSeconds                int
	DryingSeconds              int // length of the drying run; 0 is as approved data say
	DryingLimit                int // seconds from the last wetting to the drying run; 0 is not limited
	Profiles                   []Profile
	AntifreezeBelow            float64 // °C
	AntifreezeMargin           float64 // K
	AntifreezeCeiling, WashMin float64 // °C
	Antifreeze                 []Row   // printed rows, ascending
	AntifreezeSource           string
	Densities                  Densities
	Container                  Container
	Ring                       Ring
	Day                        string   // the civil day that it is planned for, YYYY-MM-DD
	Deposition                 *float64 // chloride in mg/(m²·d), the greatest since the last rinse; nil when not known
	DepositionSource           string
	Flown                      []Exposure // since the last rinse
}

// Exposure is how many flights through something an engine made; Wears says what a wash does about it.
type Exposure struct {
	Kind    string
	Flights int
	Wears   string
}

// Densities are those of the pure liquids in kg/L at the temperature of the table; 0 when it doesn't print them.
type Densities struct{ Antifreeze, Water float64 }

// Profile is a duty list of the starter; the rest after its last run starts it again.
type Profile struct {
	ID, PowerSource string
	MinOAT, MaxOAT  *float64
	Runs            []Duty
}

// Duty is a longest run and the shortest rest after it, in seconds.
type Duty struct{ On, Rest int }

// Row is a printed row of a freezing table; mass per cent and specific gravity are 0 where it prints none.
type Row struct{ VolumePercent, FreezingC, MassPercent, SpecificGravity float64 }

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

// mix rounds the cleaner to the vessel's step and gives the rest to water, so that the parts add up to the batch. "6:1" is
// six parts of water to one of cleaner (common practice, no source); half a US gallon at 6:1 is 270.39 mL of cleaner.
func (p *Plan) mix(d Data, rinseOnly bool) {
	if rinseOnly {
		return
	}
	if d.CleanerParts <= 0 || d.WaterParts < 0 || d.BatchML <= 0 {
		p.refuse("The wash data have no batch or no mix ratio. Enter them with their document.")
		return
	}
	exact := d.BatchML * float64(d.CleanerParts) / float64(d.WaterParts+d.CleanerParts)
	p.CleanerML = roundTo(exact, d.StepML)
	p.SolutionML = roundTo(d.BatchML, 1)
	p.WaterML = p.SolutionML - p.CleanerML
	p.number("Cleaner", p.CleanerML, "mL", fmt.Sprintf("%.0f mL × %d / (%d + %d) = %.2f mL, rounded to %.0f mL",
		d.BatchML, d.CleanerParts, d.WaterParts, d.CleanerParts, exact, math.Max(1, d.StepML)), d.Document)
	p.number("Water", p.WaterML, "mL", fmt.Sprintf("%.0f mL − %.0f mL", p.SolutionML, p.CleanerML), d.Document)
}

func roundTo(v, step float64) float64 {
	if step <= 0 {
		step = 1
	}
	return math.Round(v/step) * step
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

// cold takes the next richer printed row whose freezing point lies the margin below the air temperature; it never
// interpolates and never extrapolates. Above the ceiling antifreeze is not used; where it would be needed there, there is no plan.
func (p *Plan) cold(d Data, temperature *float64) {
	if temperature == nil {
		p.AntifreezeText = "Undecided: no temperature was given yet."
		return
	}
	t := *temperature
	switch {
	case t < d.WashMin:
		p.refuse("At %.0f °C no wash is done: the data allow it from %.0f °C. Wait for warmer weather or use a heated hangar.", t, d.WashMin)
		return
	case t > d.AntifreezeBelow:
		p.AntifreezeText = fmt.Sprintf("No antifreeze: %.1f °C is above %.1f °C.", t, d.AntifreezeBelow)
		return
	case t > d.AntifreezeCeiling: // wanted and forbidden: the data are wrong, and water alone could freeze in the engine
		p.AntifreezeRefused = true
		p.refuse("At %.1f °C the data want antifreeze, from %.1f °C down, and forbid it above %.1f °C. Correct the engine model's wash data, or wait until it is above %.1f °C.",
			t, d.AntifreezeBelow, d.AntifreezeCeiling, d.AntifreezeBelow)
		return
	case len(d.Antifreeze) == 0:
		p.AntifreezeRefused = true
		p.refuse("At %.1f °C antifreeze is needed and no signed table is entered. Enter one, or wait until it is above %.1f °C.", t, d.AntifreezeBelow)
		return
	}
	for _, row := range d.Antifreeze {
		if row.FreezingC <= t-d.AntifreezeMargin {
			p.protect(d, row, t)
			return
		}
	}
	p.AntifreezeRefused = true
	p.refuse("No printed row of %s freezes at or below %.1f °C. Wait for warmer weather; the table is not extended.", d.AntifreezeSource, t-d.AntifreezeMargin)
}

// flow is Q = K·√Δp of a fixed ring; 150 gpm at 50 psi is 183.7 gpm at 75 psi.
func (p *Plan) flow(d Data) {
	if p.FlowLMin = d.K * math.Sqrt(d.PressureKPa); !(p.FlowLMin > 0) {
		p.refuse("The ring's flow is not known. Do a catch test and enter its coefficient, and the container pressure.")
		return
	}
	p.number("Flow through the ring", p.FlowLMin, "L/min", fmt.Sprintf("%.4g × √%.1f kPa", d.K, d.PressureKPa), "Q = K·√Δp; catch test in "+d.Document)
	p.number("Container pressure", d.PressureKPa, "kPa", "gauge", d.Document)
}

func (p *Plan) choose(d Data, temperature *float64, powerSource string) {
	var offers []string
	for _, candidate := range d.Profiles {
		asked := powerSource == "" || candidate.PowerSource == powerSource || candidate.ID == powerSource
		if asked && candidate.suits(temperature) {
			p.Profile = candidate
			return
		}
		offers = append(offers, candidate.band())
	}
	offered := "none"
	if len(offers) > 0 {
		offered = strings.Join(offers, ", ")
	}
	p.refuse("No starter profile is entered for power source %q at this temperature; there are: %s. Enter it with its document, or use another source.", powerSource, offered)
}

// suits reports whether a profile is for this temperature; while none is known, every profile is.
func (c Profile) suits(temperature *float64) bool {
	if temperature == nil {
		return true
	}
	return (c.MinOAT == nil || *temperature >= *c.MinOAT) && (c.MaxOAT == nil || *temperature <= *c.MaxOAT)
}

// band says what a profile is for.
func (c Profile) band() string {
	text := fmt.Sprintf("%q", c.PowerSource)
	if c.MinOAT != nil {
		text += fmt.Sprintf(" from %g °C", *c.MinOAT)
	}
	if c.MaxOAT != nil {
		text += fmt.Sprintf(" to %g °C", *c.MaxOAT)
	}
	return text
}

// window is how long the valve may be open in a run of this length.
func window(d Data, on int) int {
	w := on - d.OpenDelay - d.CloseMargin
	if d.ValveWindow > 0 {
		w = min(w, d.ValveWindow)
	}
	return w
}

const maxRuns = 60

// timeline lays the runs out: each inside its duty, rests as minima, the soak overlapping the rest (gap = the longer one).
func (p *Plan) timeline(d Data, rinseOnly bool) {
	t := &laying{p: p, d: d}
	if !rinseOnly && !t.pour(WashRun, p.SolutionML) {
		return
	}
	p.WashRuns = t.runs
	if !rinseOnly {
		t.soak()
	}
	for range d.rinses(rinseOnly) {
		if d.RinseML <= 0 {
			p.refuse("The wash data have no rinse volume. Enter it with its document.")
			return
		}
		if !t.pour(RinseRun, d.RinseML) {
			return
		}
	}
	p.RinseRuns = t.runs - p.WashRuns
	t.dry()
	p.TotalSeconds = t.now
	p.count(d)
}

// laying is a timeline being laid.
type laying struct {
	p         *Plan
	d         Data
	now, duty int
	runs      int
	lastEnd   int
	rest      int // the shortest rest that the last run asks for
}

// pour lays runs until the volume went through.
func (t *laying) pour(a Activity, volume float64) bool {
	perSecond := t.p.FlowLMin * 1000 / 60
	for volume > 0.5 {
		duty := t.p.Profile.Runs[t.duty%len(t.p.Profile.Runs)]
		w := window(t.d, duty.On)
		if t.runs >= maxRuns {
			t.p.refuse("More than %d runs of the starter are needed. Check the volumes and the ring's flow, or use another power source.", maxRuns)
			return false
		}
		if w <= 0 {
			t.p.refuse("A run of %d s leaves no time for the valve after %d s of delay and %d s of margin; it needs runs longer than %d s. Use another power source.",
				duty.On, t.d.OpenDelay, t.d.CloseMargin, t.d.OpenDelay+t.d.CloseMargin)
			return false
		}
		t.wait()
		open := math.Min(float64(w), volume/perSecond)
		seconds := int(math.Ceil(open))
		end := t.now + t.d.OpenDelay + seconds + t.d.CloseMargin
		t.p.Timeline = append(t.p.Timeline, Entry{
			Activity: a, Start: t.now, End: end, ValveOpen: t.now + t.d.OpenDelay, ValveShut: t.now + t.d.OpenDelay + seconds, VolumeML: math.Min(volume, open*perSecond),
			Note: fmt.Sprintf("run %d of at most %d s", t.runs+1, duty.On),
		})
		volume -= open * perSecond
		t.p.StarterSeconds += end - t.now
		t.now, t.lastEnd, t.rest = end, end, duty.Rest
		t.runs++
		t.duty++
	}
	return true
}

// wait lays the rest before the next run.
func (t *laying) wait() {
	if t.runs == 0 || t.now >= t.lastEnd+t.rest {
		return
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: Rest, Start: t.now, End: t.lastEnd + t.rest, Note: fmt.Sprintf("the starter rests at least %d s", t.rest)})
	t.now = t.lastEnd + t.rest
}

func (t *laying) soak() {
	if t.d.SoakSeconds == 0 {
		return
	}
	t.p.Timeline = append(t.p.Timeline, Entry{Activity: Soak, Start: t.now, End: t.now + t.d.SoakSeconds, Note: "the solution works; the starter rests meanwhile"})
	t.now += t.d.SoakSeconds
}
