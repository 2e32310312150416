package cycle

import (
	"math"

	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/performance/internal/gas"
)

// vector are the unknowns: relative corrected speed, beta, burner exit [K], both turbines' pressure ratios.
type vector [5]float64

// Point is an engine at work.
type Point struct {
	Power          float64 // W at the propeller
	ITT            float64 // °C
	Ng             float64 // %
	PropellerSpeed float64 // rpm
	Fuel           float64 // kg/h
	AirFlow        float64 // kg/s at the compressor face
	FuelAirRatio   float64 // in the burner
	PressureRatio  float64 // of the compressor
	T2, T3, T4, T5 float64 // K
	P2, P3         float64 // Pa
	Efficiency     float64 // of the compressor, isentropic
	Beta           float64 // place on the compressor's map, towards surge
	Iterations     int

	solution vector
}

// Torque is the propeller's torque [N·m].
func (p Point) Torque() float64 { return p.Power * 60 / (2 * math.Pi * p.PropellerSpeed) }

// problem is an engine in its air with its health, before its unknowns are found.
type problem struct {
	engine    *Engine
	health    Health
	setting   Setting
	air       gas.Gas
	in        gas.State
	p2        float64
	theta     float64
	delta     float64
	ambient   float64
	propeller float64 // rpm
	bleed     float64
}

// pass follows the gas through the engine once and says how far the five conditions are missed; false when these unknowns
// lie where no engine runs.
func (p *problem) pass(x vector, out *Point) (miss vector, ok bool) {
	d := &p.engine.data
	if !plausible(x, d.Compressor.MaxBetaAbs) {
		return miss, false
	}
	three, work, ok := p.compress(x, out)
	if !ok {
		return miss, false
	}
	f, hot, err := gas.Burn(three.T, x[2], math.Min(1, d.BurnerEfficiency*(1+p.health.BurnerEfficiency)))
	if err != nil {
		return miss, false
	}
	burned := out.AirFlow * (1 - p.bleed - d.Cooling)
	fuel, flow := f*burned, burned*(1+f)
	four, err := hot.At(x[2])
	if err != nil {
		return miss, false
	}
	p4 := out.P3 * (1 - d.BurnerLoss)
	gg := &p.engine.gasGenerator
	speed := x[0] * math.Sqrt(p.theta)
	drop, ok := gg.expand(&hot, four, x[3], speed, p.health.GasGeneratorEfficiency)
	if !ok {
		return miss, false
	}
	miss[0] = flow*math.Sqrt(four.T)/p4/gg.capacity - (1+p.health.GasGeneratorFlow)*ellipse(x[3])/gg.ellipse
	miss[1] = (flow*drop*d.SpoolMechanical - work - d.Accessories) / p.engine.compressorWork
	out.T4, out.FuelAirRatio, out.Fuel = four.T, f, fuel*3600
	out.Ng = speed * d.Speed
	mixed, between, flow, err := mix(four.H-drop, three.H, flow, out.AirFlow*d.Cooling, fuel, four.T)
	if err != nil || !p.output(x, &mixed, between, flow, p4/x[3], &miss, out) {
		return miss, false
	}
	miss[4] = p.setting.miss(out, p.engine)
	return miss, true
}

// plausible keeps the search where engines run.
func plausible(x vector, maxBeta float64) bool {
	return x[0] > 0.4 && x[0] < 1.3 && math.Abs(x[1]) < maxBeta && x[2] > 600 && x[2] < 2000 && x[3] > 1.02 && x[3] < 20 && x[4] > 1.02 && x[4] < 20
}

// compress is the compressor: state at its exit and the power [W] that it takes.
func (p *problem) compress(x vector, out *Point) (gas.State, float64, bool) {
	d := &p.engine.data
	m, n, beta := &d.Compressor, x[0], x[1]
	flow := math.Pow(n, m.Flow) * (1 - m.FlowBeta*beta)
	rise := math.Pow(n, m.Rise) * (1 + m.RiseBeta*beta - m.RiseCurve*beta*beta)
	out.Efficiency = d.CompressorEfficiency * m.efficiency(n, beta) / m.efficiency(1, 0) * (1 + p.health.CompressorEfficiency)
	out.PressureRatio = 1 + (d.PressureRatio-1)*rise
	if !(flow > 0 && out.PressureRatio > 1.05 && out.Efficiency > 0.2 && out.Efficiency < 1) {
		return gas.State{}, 0, false
	}
	design := d.AirFlow / (1 - d.InletLoss) // corrected to the face of a standard day
	out.AirFlow = design * flow * (1 + p.health.CompressorFlow) * p.delta / math.Sqrt(p.theta)
	three, err := p.air.Compress(p.in, out.PressureRatio, out.Efficiency)
	if err != nil {
		return gas.State{}, 0, false
	}
	out.T2, out.P2, out.T3, out.P3 = p.in.T, p.p2, three.T, p.p2*out.PressureRatio
	out.Beta = beta
	return three, out.AirFlow * (three.H - p.in.H), true
}

// output is the power turbine and the exhaust.
func (p *problem) output(x vector, g *gas.Gas, between gas.State, flow, p45 float64, miss *vector, out *Point) bool {
	d, pt := &p.engine.data, &p.engine.powerTurbine
	drop, ok := pt.expand(g, between, x[4], p.propeller/d.PropellerSpeed, p.health.PowerTurbineEfficiency)
	if !ok {
		return false
	}
	five, err := g.AtEnthalpy(between.H-drop, between.T-drop/between.Cp)
	if err != nil {
		return false
	}
	p8 := p45 / x[4] * (1 - d.ExhaustLoss)
	miss[2] = flow*math.Sqrt(between.T)/p45/pt.capacity - (1+p.health.PowerTurbineFlow)*ellipse(x[4])/pt.ellipse
	miss[3] = flow*math.Sqrt(five.T)/p8/(p.engine.exhaustArea*p.engine.exhaustCapacity) - capacity(g, five, p8/p.ambient)/p.engine.exhaustCapacity
	out.Power = flow * drop * d.OutputMechanical
	out.ITT, out.T5, out.PropellerSpeed = between.T-273.15, five.T, p.propeller
	return true
}

// expand is a turbine: the work [J/kg] that it takes out at a pressure ratio and a speed relative to the design point's.
func (t *turbine) expand(g *gas.Gas, from gas.State, ratio, speed, health float64) (float64, bool) {
	to, err := g.Isentropic(from, 1/ratio)
	if err != nil {
		return 0, false
	}
	ideal := from.H - to.H
	u := speed/math.Sqrt(ideal/t.ideal) - 1
	efficiency := t.efficiency * (1 + health) * (1 - t.speedLoss*u*u)
	return efficiency * ideal, efficiency > 0.1 && efficiency < 1
}

// newProblem puts an engine into its air.
func (e *Engine) newProblem(c Condition, h Health, s Setting) (*problem, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if err := h.check(); err != nil {
		return nil, err
	}
	if err := s.check(); err != nil {
		return nil, err
	}
	ambient, err := atmosphere.Pressure(c.Altitude)
	if err != nil {
		return nil, err
	}
	temperature, pressure, err := atmosphere.Stagnation(c.Mach, 1)
	if err != nil {
		return nil, err
	}
	p := &problem{engine: e, health: h, setting: s, air: gas.Air(), ambient: ambient, propeller: c.PropellerSpeed, bleed: h.Bleed + c.Bleed}
	if p.propeller == 0 {
		p.propeller = e.data.PropellerSpeed
	}
	p.in, err = p.air.At((c.OAT + 273.15) * temperature)
	if err != nil {
		return nil, err
	}
	p.p2 = ambient * pressure * (1 - e.data.InletLoss) * (1 - h.InletLoss)
	p.theta, p.delta = p.in.T/atmosphere.T0, p.p2/atmosphere.P0
	return p, nil
}
