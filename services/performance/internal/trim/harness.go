// Package trim is the harness of parallel type K thermocouples between the turbines and the resistor that trims what it
// indicates, so that engines of a type read alike at the same power.
//
// The circuit is Millman's: voltages over leg resistances, summed, over the sum of conductances; the indicated temperature
// is that of the harness voltage plus the junction's (NIST Monograph 175 both ways). Temperatures are °C, voltages mV,
// resistances Ω. A trim across the harness only lowers the reading, and so does one in line with an indicator that draws
// current. Wanted shifts, classes and tolerances are approved data of the operator; this package only calculates. A trim
// change moves every reading after it: it starts a new trend, and it can fake or hide what a wash recovered.
package trim

import (
	"math"

	"coldsection.example/services/performance/internal/thermocouple"
	"coldsection.example/services/platform/fault"
)

// Topology says where the trim resistor sits.
type Topology int

// The topologies. The zero value is none of them and is refused, because each computes differently.
const (
	Unset  Topology = iota
	Absent          // no resistor
	Across          // between the two leads of the harness
	InLine          // between the harness and the indicator
)

// Probe is one thermocouple with its leg.
type Probe struct {
	Temperature float64 // °C
	Leg         float64 // Ω
	Open        bool    // broken: it carries no current
}

// Harness is the circuit without its trim.
type Harness struct {
	Probes   []Probe
	Junction float64 // °C where the legs end
	Load     float64 // Ω of the indicator's input; 0 draws nothing
}

// Equal is a harness of this many equal legs [Ω] at one temperature [°C] with its junction at another.
func Equal(probes int, leg, temperature, junction float64) Harness {
	h := Harness{Junction: junction}
	for range min(max(probes, 0), MaxProbes) {
		h.Probes = append(h.Probes, Probe{Temperature: temperature, Leg: leg})
	}
	return h
}

// MaxProbes is the most thermocouples in a harness.
const MaxProbes = 64

// Branch is the trim.
type Branch struct {
	Topology   Topology
	Resistance float64 // Ω
	// Thermocouple says that the branch ends in a type K junction of its own at Temperature [°C], such as in the inlet.
	Thermocouple bool
	Temperature  float64
}

// Reading is what arrives at the indicator.
type Reading struct {
	Millivolts float64
	Indicated  float64 // °C
}

// Resistances [Ω] between which legs, trims and inputs make sense.
const (
	minResistance = 1e-3
	maxResistance = 1e9
)

// Indicated is what the indicator shows. Reasons: HARNESS_INVALID, TRIM_TOPOLOGY_UNSET, TRIM_RESISTANCE_INVALID,
// TEMPERATURE_OUT_OF_RANGE.
func (h Harness) Indicated(b Branch) (Reading, error) {
	c, err := h.circuit()
	if err != nil {
		return Reading{}, err
	}
	own, err := b.check(h.Junction)
	if err != nil {
		return Reading{}, err
	}
	var v float64
	switch b.Topology {
	case Across:
		v = (c.current + own/b.Resistance) / (c.conductance + c.load + 1/b.Resistance)
	case InLine:
		v = c.current / c.conductance
		if c.load > 0 {
			v /= 1 + (1/c.conductance+b.Resistance)*c.load
		}
	default:
		v = c.current / (c.conductance + c.load)
	}
	t, err := thermocouple.Measured(v, h.Junction)
	if err != nil {
		return Reading{}, outOfRange(err)
	}
	return Reading{v, t}, nil
}

// circuit is a harness as Millman sees it.
type circuit struct {
	current     float64 // Σ e/r, mA
	conductance float64 // Σ 1/r, S
	load        float64 // S
}

func (h Harness) circuit() (circuit, error) {
	var c circuit
	junction, err := thermocouple.EMF(h.Junction)
	if err != nil {
		return c, outOfRange(err)
	}
	if len(h.Probes) > MaxProbes {
		return c, fault.Invalid("junctions", "HARNESS_INVALID", "A harness of %d thermocouples is too large; %d are the most.", len(h.Probes), MaxProbes)
	}
	for i, p := range h.Probes {
		if p.Open {
			continue
		}
		if !(p.Leg >= minResistance && p.Leg <= maxResistance) {
			return c, fault.Invalid("junction_resistance_ohm", "HARNESS_INVALID",
				"The leg of thermocouple %d has %g Ω; a leg has a resistance from %g Ω. Enter it in the engine model's trim data.", i+1, p.Leg, minResistance)
		}
		e, err := thermocouple.EMF(p.Temperature)
		if err != nil {
			return c, outOfRange(err)
		}
		c.current += (e - junction) / p.Leg
		c.conductance += 1 / p.Leg
	}
	if c.conductance == 0 {
		return c, fault.Invalid("junctions", "HARNESS_INVALID", "The harness has no thermocouple that works. Enter how many there are in the engine model's trim data.")
	}
	if h.Load != 0 {
		if !(h.Load >= minResistance && h.Load <= maxResistance) {
			return c, fault.Invalid("load_ohm", "HARNESS_INVALID", "An indicator's input of %g Ω makes no sense. Give its resistance, or 0 when it draws no current.", h.Load)
		}
		c.load = 1 / h.Load
	}
	return c, nil
}

// check returns the voltage of the branch's own junction.
func (b Branch) check(junction float64) (float64, error) {
	switch b.Topology {
	case Absent:
		return 0, nil
	case Across, InLine:
	default:
		return 0, fault.Invalid("topology", "TRIM_TOPOLOGY_UNSET", "It is not said where the trim resistor sits. Say across the harness or in line with the indicator.")
	}
	if !(b.Resistance >= minResistance && b.Resistance <= maxResistance) {
		return 0, fault.Invalid("resistance_ohm", "TRIM_RESISTANCE_INVALID", "A trim of %g Ω makes no sense. Give a resistance from %g Ω.", b.Resistance, minResistance)
	}
	if !b.Thermocouple {
		return 0, nil
	}
	if b.Topology == InLine {
		return 0, fault.Invalid("topology", "TRIM_TOPOLOGY_UNSET", "A trim branch with a thermocouple of its own sits across the harness, not in line. Correct the topology.")
	}
	own, err := thermocouple.EMF(b.Temperature)
	if err != nil {
		return 0, outOfRange(err)
	}
	cold, err := thermocouple.EMF(junction)
	if err != nil {
		return 0, outOfRange(err)
	}
	return own - cold, nil
}

func outOfRange(err error) error {
	return fault.Invalid("temperature_c", "TEMPERATURE_OUT_OF_RANGE", "%s. Correct the temperature.", err)
}

// OpenLegs is what the indicator shows with each thermocouple broken in turn: a broken one makes a hot engine look cooler or
// a cool one hotter, and hides behind the trim. A harness with one thermocouple has no such list.
func (h Harness) OpenLegs(b Branch) ([]Reading, error) {
	if len(h.Probes) < 2 {
		return nil, nil
	}
	var list []Reading
	for i := range h.Probes {
		broken := h
		broken.Probes = append([]Probe{}, h.Probes...)
		if broken.Probes[i].Open {
			list = append(list, Reading{})
			continue
		}
		broken.Probes[i].Open = true
		r, err := broken.Indicated(b)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	return list, nil
}

// ResistanceFor is the resistance [Ω] that shifts the indicated temperature by this much [°C, negative]. Reasons besides
// those of Indicated: TRIM_SHIFT_IMPOSSIBLE.
func (h Harness) ResistanceFor(b Branch, shift float64) (float64, error) {
	without, err := h.Indicated(Branch{Topology: Absent})
	if err != nil {
		return 0, err
	}
	b.Resistance = 1
	own, err := b.check(h.Junction)
	if err != nil {
		return 0, err
	}
	if !(shift < 0) {
		return 0, impossible(shift, "a trim only lowers what is indicated")
	}
	c, err := h.circuit()
	if err != nil {
		return 0, err
	}
	wanted, err := voltage(without.Indicated+shift, h.Junction)
	if err != nil {
		return 0, err
	}
	var r float64
	switch b.Topology {
	case Across:
		r = (wanted - own) / (c.current - wanted*(c.conductance+c.load))
	case InLine:
		if c.load == 0 {
			return 0, impossible(shift, "a resistor in line with an indicator that draws no current shifts nothing")
		}
		r = (c.current/(c.conductance*wanted)-1)/c.load - 1/c.conductance
	default:
		return 0, impossible(shift, "there is no trim")
	}
	if !(r >= minResistance && r <= maxResistance) || math.IsInf(r, 0) {
		return 0, impossible(shift, "no resistance does that in this harness")
	}
	return r, nil
}

func voltage(t, junction float64) (float64, error) {
	hot, err := thermocouple.EMF(t)
	if err != nil {
		return 0, outOfRange(err)
	}
	cold, err := thermocouple.EMF(junction)
	if err != nil {
		return 0, outOfRange(err)
	}
	return hot - cold, nil
}

func impossible(shift float64, why string) error {
	return fault.Invalid("shift_c", "TRIM_SHIFT_IMPOSSIBLE", "A shift of %g °C can't be trimmed: %s. Look at the harness and the approved trim data.", shift, why)
}
