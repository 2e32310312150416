package cycle

// Cause is a change of an engine or of what it indicates, with what one unit of it does at constant indicated power.
type Cause struct {
	Name, Size string
	Signature  Signature
}

// faults are causes in the engine.
var faults = []struct {
	name, size string
	health     Health
}{
	{"fouling", "compressor flow capacity −3 %, efficiency −1 %", Health{CompressorFlow: -0.03, CompressorEfficiency: -0.01}},
	{"hot_section", "gas-generator turbine efficiency −2 %, flow capacity +1 %", Health{GasGeneratorEfficiency: -0.02, GasGeneratorFlow: 0.01}},
	{"bleed_leak", "1 % of the inlet flow", Health{Bleed: 0.01}},
	{"power_turbine", "power-turbine efficiency −1 %", Health{PowerTurbineEfficiency: -0.01}},
	{"combustion", "burner efficiency −1 %", Health{BurnerEfficiency: -0.01}},
	{"inlet", "inlet pressure −1 %", Health{InletLoss: 0.01}},
}

// torqueReads is how much too high a torque indication reads in the unit of its cause.
const torqueReads = 0.02

// Causes are the signatures of all causes at a condition and an indicated power [W]: of faults by the model, of false
// indications by what they are. Errors are those of Solve.
func (e *Engine) Causes(c Condition, watts float64) ([]Cause, error) {
	var out []Cause
	for _, f := range faults {
		s, err := e.Signature(c, Power(watts), f.health)
		if err != nil {
			return nil, err
		}
		out = append(out, Cause{f.name, f.size, s})
	}
	clean, err := e.Solve(c, Health{}, Power(watts), Point{})
	if err != nil {
		return nil, err
	}
	weaker, err := e.Solve(c, Health{}, Power(watts/(1+torqueReads)), clean)
	if err != nil {
		return nil, err
	}
	return append(out,
		Cause{"torque_indication", "torque reads 2 % high", difference(weaker, clean)}, Cause{"itt_indication", "ITT reads 10 °C high", Signature{ITT: 10}},
		Cause{"fuel_flow_indication", "fuel flow reads 1 % high", Signature{Fuel: 1}}, Cause{"ng_indication", "Ng reads 1 % high", Signature{Ng: 1}}), nil
}
