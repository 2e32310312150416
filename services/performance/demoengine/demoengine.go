// Package demoengine lends the engine model of the performance service to demonstrations and tests outside it: invented
// engines, what they read at a condition, and what dirt, wear, leaks and false indications do to that. The equations are
// those of the service's package cycle; units are those of its types. For demonstration only.
package demoengine

import "coldsection.example/services/performance/internal/cycle"

// The types of the model, each described in package cycle.
type (
	// Engine is an engine with the constants that its design point fixes.
	Engine = cycle.Engine
	// Data are a design point, its maps and its losses.
	Data = cycle.Data
	// Condition is the air and what is asked besides power: m, °C, Mach, rpm.
	Condition = cycle.Condition
	// Health is what became of the engine, relative to whole.
	Health = cycle.Health
	// Point is the engine at work.
	Point = cycle.Point
	// Signature is what a change does to the readings: °C and %.
	Signature = cycle.Signature
)

// New works an engine's design point out; data that contradict each other are refused.
func New(d Data) (*Engine, error) { return cycle.New(d) }

// Engines are the invented engines.
func Engines() []Data { return cycle.Demonstration() }

// AtPower is the operating point at a power [W]; a point solved before saves time. A *cycle.NoMatchError says that there is
// none.
func AtPower(e *Engine, c Condition, h Health, watts float64, from Point) (Point, error) {
	return e.Solve(c, h, cycle.Power(watts), from)
}

// Effect is what this health does to a whole engine at a power [W].
func Effect(e *Engine, c Condition, watts float64, h Health) (Signature, error) {
	return e.Signature(c, cycle.Power(watts), h)
}
