// Package margin says how far an engine is from its limits at a reference condition, whether that passes, and when a limit
// may be reached.
//
// Temperatures are °C, speeds %, torque N·m, intervals 90 % two-sided, so their lower end is a one-sided bound of 95 %. What an
// engine would read at the reference is the clean engine's value there plus the engine's own deviation, which is carried over
// with theta to the exponent of its correction. Nothing is extrapolated beyond the baseline. An approved power-check chart
// overrides what is computed here.
package margin

import (
	"fmt"
	"math"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/platform/fault"
)

// z90 is the two-sided 90 % quantile of the normal distribution.
const z90 = 1.6449

// Reference is where a margin is stated and what is to be kept there.
type Reference struct {
	Point   baseline.Point // altitude, air temperature, airspeed, propeller speed and torque
	ITT, Ng float64        // limits [°C], [%]; 0 means none
	Reserve float64        // °C to be kept to the ITT limit
}

// Deviation is how far the engine is from a clean one, with half the width of its interval.
type Deviation struct{ Value, Half float64 }

// State is what readings say of the engine.
type State struct {
	ITT, Ng, Fuel Deviation
	Theta         float64 // mean theta of the readings; 0 means that of the reference
	Readings      int
}

// Margin is a limit less what the engine would read at the reference.
type Margin struct {
	Limit, Clean, Deviation, Predicted float64
	Value, Half                        float64
	scatter, fixed                     float64 // the half widths of the readings and of the baseline
	scale                              float64
	readings                           int
}

// AtLimit is the deviation, as the readings have it, at which this much [°C] is left of the margin.
func (m Margin) AtLimit(left float64) float64 { return (m.Limit - left - m.Clean) / m.scale }

// Cautions are what comes before anything else, in this order. Common practice, no source.
func Cautions() []string {
	return []string{
		"An approved power-check chart or limit, where there is one, overrides what is computed here.",
		"A margin is no permission to fly: a licensed person decides by the approved maintenance data.",
	}
}

// Lower is the end of the interval that safety goes by.
func (m Margin) Lower() float64 { return m.Value - m.Half }

// Upper is the other end.
func (m Margin) Upper() float64 { return m.Value + m.Half }

// Standing is an engine at the reference.
type Standing struct {
	ITT Margin
	Ng  *Margin // nil without a limit
	// Torque [N·m] at which the ITT limit is met at the reference's condition; AtLeast says that the baseline ends before.
	Torque  float64
	AtLeast bool
}

// At works a standing out. Reasons: LIMIT_MISSING, REFERENCE_MISSING, REFERENCE_OUTSIDE_BASELINE, LEVEL_UNKNOWN.
func At(model *baseline.Model, r Reference, s State) (Standing, error) {
	if err := r.check(model); err != nil {
		return Standing{}, err
	}
	if s.Readings < 1 || !(s.ITT.Half >= 0 && s.ITT.Half < 1e4 && math.Abs(s.ITT.Value) < 1e4) {
		return Standing{}, fault.Precondition("LEVEL_UNKNOWN", "There are not enough readings to say how far the engine is from a clean one. Take more readings.")
	}
	x, err := model.Expect(r.Point)
	if err != nil {
		return Standing{}, fault.Precondition("REFERENCE_OUTSIDE_BASELINE", "The baseline says nothing at the reference condition: %s.", err)
	}
	theta := 1.0
	if s.Theta > 0 {
		theta = x.Condition.Theta / s.Theta
	}
	e := model.Exponents()
	out := Standing{ITT: of(r.ITT, x.Expected.ITT, s.ITT, math.Pow(theta, e.ITTTheta), model.Residual.ITT, s.Readings)}
	if r.Ng > 0 {
		ng := of(r.Ng, x.Expected.Ng, s.Ng, math.Pow(theta, e.NgTheta), model.Residual.Ng, s.Readings)
		out.Ng = &ng
	}
	out.Torque, out.AtLeast, err = torqueAt(model, r, out.ITT.Deviation)
	return out, err
}

func of(limit, clean float64, d Deviation, scale, residual float64, readings int) Margin {
	m := Margin{Limit: limit, Clean: clean, Deviation: d.Value * scale, scatter: d.Half * scale, fixed: z90 * residual, scale: scale, readings: readings}
	m.Predicted = m.Clean + m.Deviation
	m.Value, m.Half = limit-m.Predicted, math.Hypot(m.scatter, m.fixed)
	return m
}

func (r *Reference) check(model *baseline.Model) error {
	if !(r.ITT > 0) {
		return fault.Precondition("LIMIT_MISSING", "The engine model has no ITT limit. Enter it from the approved data.")
	}
	if !(r.Point.Torque > 0 && r.Point.Np > 0) {
		return fault.Precondition("REFERENCE_MISSING", "There is no torque or propeller speed of the reference condition. Enter them in the engine model, or give them.")
	}
	if why := model.Outside(r.Point); why != "" {
		return fault.Precondition("REFERENCE_OUTSIDE_BASELINE", "The reference condition is not covered: %s. Take a reference inside it, or extend the baseline.", why)
	}
	return nil
}

// torqueAt halves the torque range of the baseline until the engine meets its ITT limit.
func torqueAt(model *baseline.Model, r Reference, deviation float64) (torque float64, atLeast bool, err error) {
	low, high, err := model.TorqueRange(r.Point)
	if err != nil {
		return 0, false, err
	}
	above := func(torque float64) (bool, error) {
		p := r.Point
		p.Torque = torque
		x, err := model.Expect(p)
		return x.Expected.ITT+deviation > r.ITT, err
	}
	if over, err := above(high); err != nil || !over {
		return high, true, err
	}
	if over, err := above(low); err != nil || over {
		return 0, false, err
	}
	for high-low > 1e-6*high {
		middle := (low + high) / 2
		over, err := above(middle)
		if err != nil {
			return 0, false, err
		}
		if over {
			high = middle
		} else {
			low = middle
		}
	}
	return low, false, nil
}

// Words say a margin in a sentence.
func (m Margin) Words(unit string) string {
	return fmt.Sprintf("limit %.1f %s less %.1f %s (clean %.1f, deviation %+.1f) is %+.1f %s, 90 %% interval %+.1f to %+.1f",
		m.Limit, unit, m.Predicted, unit, m.Clean, m.Deviation, m.Value, unit, m.Lower(), m.Upper())
}
