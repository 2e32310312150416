// Package heater is the electric heater of a sense line: what it must draw and measure by its rating, and what a
// measurement says.
//
// Ohm's and Joule's laws: R = V²/P, I = V/R; the hot resistance goes to another temperature by a linear coefficient. Ratings,
// tolerances, bus range and the least insulation are approved data of the operator. The package only calculates: it says
// "within", "outside" or "cannot judge" and approves nothing.
package heater

import (
	"math"

	"coldsection.example/services/platform/fault"
)

// Data are a heater's ratings. 0 means not given.
type Data struct {
	Power          float64 // W at Voltage
	Voltage        float64 // V
	Tolerance      float64 // % of the resistance either way
	MinInsulation  float64 // MΩ
	Coefficient    float64 // 1/K, relative change of the resistance about its hot value
	HotTemperature float64 // °C at which it has its rated resistance; matters with a coefficient only
	MinBus, MaxBus float64 // V between which it is fed; 0 takes the rated voltage
}

// Cautions are what comes before touching the heater, in this order. Common practice, no source; the approved maintenance
// data of the operator come first.
func Cautions() []string {
	return []string{
		"The sense line's heater burns. Let it cool before you touch it.",
		"Take its power off, isolate it so that nobody can switch it on, and verify at the terminals that it is dead, before you measure resistance or insulation.",
		"Don't energise it in still air longer than the approved maintenance data allow.",
		"The approved maintenance data of the aircraft come before anything calculated here.",
	}
}

// Window is a range of a measurement.
type Window struct{ Low, High float64 }

func (w Window) has(v float64) bool { return v >= w.Low && v <= w.High }

// Figures are what the ratings mean.
type Figures struct {
	Resistance       float64 // Ω when hot
	Current          float64 // A at the rated voltage
	ResistanceWindow Window  // Ω when hot, with the tolerance
	CurrentWindow    Window  // A, with the tolerance and the bus range
	Bus              Window  // V, the rated voltage where no range is given
}

// Expect works the figures out. Reason: HEATER_DATA_MISSING, HEATER_DATA_INVALID.
func (d Data) Expect() (Figures, error) {
	if err := d.check(); err != nil {
		return Figures{}, err
	}
	r := d.Voltage * d.Voltage / d.Power
	share := d.Tolerance / 100
	low, high := d.bus()
	return Figures{
		Resistance: r, Current: d.Voltage / r, ResistanceWindow: Window{r * (1 - share), r * (1 + share)},
		CurrentWindow: Window{low / (r * (1 + share)), high / (r * (1 - share))}, Bus: Window{low, high},
	}, nil
}

func (d Data) bus() (low, high float64) {
	low, high = d.MinBus, d.MaxBus
	if low == 0 {
		low = d.Voltage
	}
	if high == 0 {
		high = d.Voltage
	}
	return low, high
}

func (d Data) check() error {
	if d.Power == 0 || d.Voltage == 0 {
		return fault.Precondition("HEATER_DATA_MISSING", "The engine model has no rated power or voltage of the sense line's heater. Enter them from the approved data.")
	}
	low, high := d.bus()
	for _, c := range []struct {
		name             string
		value, low, high float64
	}{
		{"rated power [W]", d.Power, 0.01, 1e5}, {"rated voltage [V]", d.Voltage, 0.1, 1e4}, {"tolerance [%]", d.Tolerance, 0, 50},
		{"least insulation [MΩ]", d.MinInsulation, 0, 1e6}, {"temperature coefficient [1/K]", d.Coefficient, -0.001, 0.01},
		{"hot temperature [°C]", d.HotTemperature, -100, 1000}, {"lowest bus voltage [V]", low, 0.1, high}, {"highest bus voltage [V]", high, low, 1e4},
	} {
		if !(c.value >= c.low && c.value <= c.high) {
			return fault.Invalid("engine_model.heater", "HEATER_DATA_INVALID", "The %s is %g; it must be %g to %g. Correct the engine model's heater data.", c.name, c.value, c.low, c.high)
		}
	}
	return nil
}

// ResistanceAt is a resistance [Ω] at hot [°C] as it is at another temperature [°C]: R(t) = R/(1 + α(hot − t)). Reason:
// HEATER_DATA_INVALID.
func (d Data) ResistanceAt(resistance, t float64) (float64, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	factor := 1 + d.Coefficient*(d.HotTemperature-t)
	if !(t > -100 && t < 1000 && factor > 0.05 && resistance >= 0 && resistance <= 1e9) {
		return 0, fault.Invalid("temperature_c", "HEATER_DATA_INVALID", "A resistance of %g Ω can't be taken to %g °C. Correct the temperature or the coefficient.", resistance, t)
	}
	return resistance / factor, nil
}

// Verdict is what a measurement says.
type Verdict int

// The verdicts. The zero value is the careful one.
const (
	CannotJudge Verdict = iota
	Within
	Outside
)

// Measurement is what was measured; NaN is what was not.
type Measurement struct {
	Resistance  float64 // Ω
	Temperature float64 // °C of the heater while the resistance was measured
	Current     float64 // A
	Bus         float64 // V while the current was measured
	Insulation  float64 // MΩ
}

// Nothing is a measurement of nothing.
func Nothing() Measurement {
	n := math.NaN()
	return Measurement{n, n, n, n, n}
}

// Finding is one judged item: what was measured, taken to the rated condition, against its window.
type Finding struct {
	Item       string // "resistance", "current", "insulation"
	Verdict    Verdict
	Normalised float64 // Ω hot, A at the rated voltage, MΩ
	Window     Window  // of the same; an upper bound of 0 is none
	Reason     string  // in words
}

// Judge compares a measurement with the ratings. What was not measured has no finding; what was measured without its
// condition can't be judged. Reasons: those of Expect, HEATER_MEASUREMENT_INVALID.
func (d Data) Judge(m Measurement) ([]Finding, error) {
	f, err := d.Expect()
	if err != nil {
		return nil, err
	}
	if err := m.check(); err != nil {
		return nil, err
	}
	var list []Finding
	if !math.IsNaN(m.Resistance) {
		list = append(list, d.judgeResistance(m, f))
	}
	if !math.IsNaN(m.Current) {
		list = append(list, d.judgeCurrent(m, f))
	}
	if !math.IsNaN(m.Insulation) {
		list = append(list, d.judgeInsulation(m))
	}
	return list, nil
}

func (m Measurement) check() error {
	for _, c := range []struct {
		field            string
		value, low, high float64
	}{
		{"resistance_ohm", m.Resistance, 0, 1e9}, {"temperature_c", m.Temperature, -100, 1000}, {"current_a", m.Current, 0, 1e5},
		{"bus_voltage_v", m.Bus, 0, 1e4}, {"insulation_mohm", m.Insulation, 0, 1e9},
	} {
		if !math.IsNaN(c.value) && !(c.value >= c.low && c.value <= c.high) {
			return fault.Invalid(c.field, "HEATER_MEASUREMENT_INVALID", "%g is no possible %s; it must be %g to %g. Measure again.", c.value, c.field, c.low, c.high)
		}
	}
	return nil
}

func verdict(within bool) Verdict {
	if within {
		return Within
	}
	return Outside
}

func (d Data) judgeResistance(m Measurement, f Figures) Finding {
	out := Finding{Item: "resistance", Window: f.ResistanceWindow}
	switch {
	case d.Tolerance == 0:
		out.Reason = "The engine model gives no tolerance of the resistance."
	case d.Coefficient == 0:
		out.Normalised, out.Verdict = m.Resistance, verdict(f.ResistanceWindow.has(m.Resistance))
		out.Reason = "Compared as measured: the engine model gives no temperature coefficient."
	case math.IsNaN(m.Temperature):
		out.Reason = "The heater's temperature at the measurement was not recorded."
	default:
		factor := 1 + d.Coefficient*(d.HotTemperature-m.Temperature)
		if factor <= 0.05 {
			out.Reason = "The temperature is too far from the hot one for a linear coefficient."
			break
		}
		out.Normalised = m.Resistance * factor
		out.Verdict, out.Reason = verdict(f.ResistanceWindow.has(out.Normalised)), "Taken to the hot temperature."
	}
	return out
}

func (d Data) judgeCurrent(m Measurement, f Figures) Finding {
	share := d.Tolerance / 100
	out := Finding{Item: "current", Window: Window{f.Current / (1 + share), f.Current / (1 - share)}}
	low, high := d.bus()
	switch {
	case d.Tolerance == 0:
		out.Reason = "The engine model gives no tolerance."
	case math.IsNaN(m.Bus):
		out.Reason = "The bus voltage at the measurement was not recorded."
	case m.Bus < math.Min(low, d.Voltage*0.5) || m.Bus == 0:
		out.Reason = "The bus voltage was too low to say anything."
	case low < high && (m.Bus < low || m.Bus > high):
		out.Reason = "The bus voltage was outside the range of the approved data."
	default:
		out.Normalised = m.Current * d.Voltage / m.Bus
		out.Verdict, out.Reason = verdict(out.Window.has(out.Normalised)), "Taken to the rated voltage."
	}
	return out
}

func (d Data) judgeInsulation(m Measurement) Finding {
	out := Finding{Item: "insulation", Window: Window{Low: d.MinInsulation}}
	if d.MinInsulation == 0 {
		out.Reason = "The engine model gives no least insulation resistance."
		return out
	}
	out.Normalised, out.Verdict, out.Reason = m.Insulation, verdict(m.Insulation >= d.MinInsulation), "Compared as measured."
	return out
}
