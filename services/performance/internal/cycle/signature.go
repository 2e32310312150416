package cycle

// Signature is what a change does to the readings while a setting is held.
type Signature struct {
	ITT  float64 // °C
	Ng   float64 // % of the clean engine's
	Fuel float64 // % of the clean engine's
	P3   float64 // % of the clean engine's
	T3   float64 // °C
}

func difference(with, without Point) Signature {
	percent := func(a, b float64) float64 { return 100 * (a/b - 1) }
	return Signature{
		ITT: with.ITT - without.ITT, Ng: percent(with.Ng, without.Ng), Fuel: percent(with.Fuel, without.Fuel), P3: percent(with.P3, without.P3), T3: with.T3 - without.T3,
	}
}

// Signature is what this health does to a whole engine at a condition and setting. Errors are those of Solve.
func (e *Engine) Signature(c Condition, s Setting, h Health) (Signature, error) {
	clean, err := e.Solve(c, Health{}, s, Point{})
	if err != nil {
		return Signature{}, err
	}
	worn, err := e.Solve(c, h, s, clean)
	return difference(worn, clean), err
}

// Part names one of the parameters of Health.
type Part struct {
	Name string
	set  func(*Health, float64)
}

// Parts are all parameters of Health, in its order.
var Parts = []Part{
	{"compressor efficiency", func(h *Health, v float64) { h.CompressorEfficiency += v }},
	{"compressor flow", func(h *Health, v float64) { h.CompressorFlow += v }},
	{"gas-generator turbine efficiency", func(h *Health, v float64) { h.GasGeneratorEfficiency += v }},
	{"gas-generator turbine flow", func(h *Health, v float64) { h.GasGeneratorFlow += v }},
	{"power-turbine efficiency", func(h *Health, v float64) { h.PowerTurbineEfficiency += v }},
	{"power-turbine flow", func(h *Health, v float64) { h.PowerTurbineFlow += v }},
	{"burner efficiency", func(h *Health, v float64) { h.BurnerEfficiency += v }},
	{"bleed leak", func(h *Health, v float64) { h.Bleed += v }},
	{"inlet loss", func(h *Health, v float64) { h.InletLoss += v }},
}

// Influence is what one per cent more of each part does, in the order of Parts: central differences of half a per cent
// either way about this health. Errors are those of Solve.
func (e *Engine) Influence(c Condition, s Setting, h Health) ([]Signature, error) {
	const half = 0.005
	centre, err := e.Solve(c, h, s, Point{})
	if err != nil {
		return nil, err
	}
	out := make([]Signature, len(Parts))
	for i, part := range Parts {
		less, more := h, h
		part.set(&less, -half)
		part.set(&more, half)
		below, err := e.Solve(c, less, s, centre)
		if err != nil {
			return nil, err
		}
		above, err := e.Solve(c, more, s, centre)
		if err != nil {
			return nil, err
		}
		up, down := difference(above, centre), difference(below, centre)
		out[i] = Signature{up.ITT - down.ITT, up.Ng - down.Ng, up.Fuel - down.Fuel, up.P3 - down.P3, up.T3 - down.T3}
	}
	return out, nil
}
