package trim

import (
	"math"

	"coldsection.example/services/platform/fault"
)

// Class is a resistor to choose from, of the operator's approved data.
type Class struct {
	ID         string
	Resistance float64 // Ω
	Tolerance  float64 // Ω either way
}

// Wanted is what a trim should do.
type Wanted struct {
	Shift     float64   // °C at Reference, negative
	Reference float64   // °C at the probes
	Range     []float64 // °C at the probes over which the shift is compared; Reference is always among them
}

// Option is what one class would do.
type Option struct {
	Class      Class
	Shift      float64 // °C at the reference temperature
	Low, High  float64 // °C at the reference temperature with the resistor at its tolerance: the larger shift, the smaller one
	WorstError float64 // °C, the largest miss of the wanted shift over the range
	TooFar     bool    // at the reference it indicates less than wanted: the engine would run hotter than it shows
}

// Choose works every class out for a harness whose probes all have one temperature, and names the one to take: the smallest
// worst error over the range among those that do not shift too far, because an indication that is too low is the unsafe
// side. Reasons besides those of Indicated: TRIM_CLASSES_MISSING, TRIM_SHIFT_IMPOSSIBLE, TRIM_NO_CLASS.
func Choose(h Harness, b Branch, classes []Class, w Wanted) (best int, options []Option, err error) {
	if len(classes) == 0 {
		return 0, nil, fault.Precondition("TRIM_CLASSES_MISSING", "The engine model has no trim resistors to choose from. Enter them from the approved data.")
	}
	if !(w.Shift < 0 && w.Shift > -300) {
		return 0, nil, impossible(w.Shift, "a trim only lowers what is indicated, and by less than 300 °C")
	}
	best = -1
	for i, class := range classes {
		o, err := option(h, b, class, w)
		if err != nil {
			return 0, nil, err
		}
		options = append(options, o)
		if !o.TooFar && (best < 0 || o.WorstError < options[best].WorstError) {
			best = i
		}
	}
	if best < 0 {
		return 0, options, fault.Precondition("TRIM_NO_CLASS",
			"Every resistor would lower the indication further than the %g °C wanted. Take no trim, and look at the harness and the approved trim data.", w.Shift)
	}
	return best, options, nil
}

func option(h Harness, b Branch, class Class, w Wanted) (Option, error) {
	o := Option{Class: class}
	if !(class.Tolerance >= 0 && class.Tolerance < class.Resistance) {
		return o, fault.Invalid("trim.classes", "TRIM_RESISTANCE_INVALID", "The trim class %q is %g ± %g Ω. Correct the engine model's trim data.", class.ID, class.Resistance, class.Tolerance)
	}
	shift := func(temperature, resistance float64) (float64, error) {
		b.Resistance = resistance
		return h.at(temperature).shift(b)
	}
	var err error
	if o.Shift, err = shift(w.Reference, class.Resistance); err != nil {
		return o, err
	}
	low, err := shift(w.Reference, class.Resistance-class.Tolerance)
	if err != nil {
		return o, err
	}
	high, err := shift(w.Reference, class.Resistance+class.Tolerance)
	if err != nil {
		return o, err
	}
	o.Low, o.High = math.Min(low, high), math.Max(low, high)
	o.TooFar = o.Shift < w.Shift-1e-9
	for _, t := range append([]float64{w.Reference}, w.Range...) {
		s, err := shift(t, class.Resistance)
		if err != nil {
			return o, err
		}
		o.WorstError = math.Max(o.WorstError, math.Abs(s-w.Shift))
	}
	return o, nil
}

// at is the harness with all its probes at one temperature [°C].
func (h Harness) at(temperature float64) Harness {
	probes := append([]Probe{}, h.Probes...)
	for i := range probes {
		probes[i].Temperature = temperature
	}
	h.Probes = probes
	return h
}

// shift is how far the trim moves the indication [°C].
func (h Harness) shift(b Branch) (float64, error) {
	without, err := h.Indicated(Branch{Topology: Absent})
	if err != nil {
		return 0, err
	}
	with, err := h.Indicated(b)
	if err != nil {
		return 0, err
	}
	return with.Indicated - without.Indicated, nil
}

// Shift is how far a trim moves the indication of a harness [°C]. Reasons are those of Indicated.
func Shift(h Harness, b Branch) (float64, error) { return h.shift(b) }

// Cautions are what comes before the work, in this order. Common practice, no source; the approved maintenance data of the
// operator come first.
func Cautions() []string {
	return []string{
		"The approved maintenance data of the engine come before anything calculated here: they say which resistor may be fitted, and who may fit it.",
		"Check every thermocouple and the harness first: a broken one can look like a cooler engine, and a trim would hide it.",
		"After a change of the trim every later reading has moved. Record it as work on sensors; the trend begins anew and no wash before it can be judged across it.",
	}
}
