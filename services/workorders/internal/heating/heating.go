// Package heating takes the window of a heater's current, which holds over the range of its supply, to one voltage.
//
// The current through a resistance goes with the voltage (Ohm's law): the lowest current of the range is that of the highest resistance at
// the lowest voltage, the highest that of the lowest resistance at the highest voltage.
package heating

// Window is a range of a reading: a current [A] or a voltage [V].
type Window struct{ Low, High float64 }

// At is the window of the current [A] at a voltage [V], out of that over the range of the supply. It reports false where a voltage is not
// above zero: then nothing can be said.
func At(current, supply Window, volts float64) (Window, bool) {
	if !(volts > 0 && supply.Low > 0 && supply.High > 0) {
		return Window{}, false
	}
	return Window{current.Low * volts / supply.Low, current.High * volts / supply.High}, true
}

// Rated is a current [A] that was read at a voltage [V], as it would be at the rated one: readings are compared there over the years.
func Rated(current, volts, rated float64) float64 { return current * rated / volts }
