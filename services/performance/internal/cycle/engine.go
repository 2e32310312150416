package cycle

import (
	"fmt"
	"math"

	"coldsection.example/services/performance/internal/atmosphere"
	"coldsection.example/services/performance/internal/gas"
)

// Engine is Data with the constants that its design point fixes.
type Engine struct {
	data Data

	gasGenerator, powerTurbine turbine
	exhaustArea                float64
	exhaustCapacity            float64 // W√T/p per m² at the design point
	power, compressorWork      float64 // W
	fuel                       float64 // kg/s
	start                      vector
}

// turbine are the constants of one turbine: capacity of Stodola's ellipse, ideal work [J/kg] and pressure ratio.
type turbine struct {
	efficiency, speedLoss, capacity, ellipse, ideal, ratio float64
}

// New works the design point out. Data that contradict each other are refused.
func New(d Data) (*Engine, error) {
	if err := d.check(); err != nil {
		return nil, err
	}
	e := &Engine{data: d}
	if err := e.design(); err != nil {
		return nil, fmt.Errorf("the design point of %s does not work out: %w", d.Name, err)
	}
	return e, nil
}

// Data are the data that the engine was made of.
func (e *Engine) Data() Data { return e.data }

// DesignPower is the power [W] at the propeller at the design point, sea level and standard day.
func (e *Engine) DesignPower() float64 { return e.power }

func (d *Data) check() error {
	for _, c := range []struct {
		name             string
		value, low, high float64
	}{
		{"air flow", d.AirFlow, 0.1, 50}, {"pressure ratio", d.PressureRatio, 2, 20}, {"compressor efficiency", d.CompressorEfficiency, 0.5, 0.95},
		{"burner exit temperature", d.BurnerExit, 900, 1800}, {"burner efficiency", d.BurnerEfficiency, 0.8, 1}, {"burner loss", d.BurnerLoss, 0, 0.2},
		{"gas-generator turbine's efficiency", d.GasGeneratorEfficiency, 0.5, 0.95}, {"power turbine's efficiency", d.PowerTurbineEfficiency, 0.5, 0.95},
		{"spool's mechanical efficiency", d.SpoolMechanical, 0.8, 1}, {"output's mechanical efficiency", d.OutputMechanical, 0.8, 1},
		{"accessory power", d.Accessories, 0, 1e5}, {"cooling share", d.Cooling, 0, 0.2}, {"inlet loss", d.InletLoss, 0, 0.1},
		{"exhaust loss", d.ExhaustLoss, 0, 0.1}, {"exhaust ratio", d.ExhaustRatio, 1.005, 1.5}, {"speed", d.Speed, 50, 120},
		{"propeller speed", d.PropellerSpeed, 100, 50000}, {"gas-generator turbine's speed loss", d.GasGeneratorSpeedLoss, 0, 2},
		{"power turbine's speed loss", d.PowerTurbineSpeedLoss, 0, 2},
	} {
		if !(c.value >= c.low && c.value <= c.high) {
			return fmt.Errorf("the %s of %s is %g; it must be %g to %g", c.name, d.Name, c.value, c.low, c.high)
		}
	}
	return d.Compressor.check(d.Name)
}

func (m *Map) check(name string) error {
	for _, v := range []float64{m.Flow, m.FlowBeta, m.Rise, m.RiseBeta, m.RiseCurve, m.SpeedLoss, m.BestSpeed, m.BetaLoss, m.BestBeta} {
		if !(math.Abs(v) < 10) {
			return fmt.Errorf("the compressor map of %s has the constant %g; constants lie within ±10", name, v)
		}
	}
	if !(m.Flow > 0.5 && m.Rise > 0.5 && m.MaxBetaAbs > 0 && m.MaxBetaAbs <= 10 && m.efficiency(1, 0) > 0.5) {
		return fmt.Errorf("the compressor map of %s does not rise with speed or has no efficiency at the design point", name)
	}
	return nil
}

// design follows the gas through the engine once, with every ratio known but those of the turbines.
func (e *Engine) design() error {
	d := &e.data
	air := gas.Air()
	in, err := air.At(atmosphere.T0)
	if err != nil {
		return err
	}
	compressed, err := air.Compress(in, d.PressureRatio, d.CompressorEfficiency)
	if err != nil {
		return err
	}
	e.compressorWork = d.AirFlow * (compressed.H - in.H)
	f, hot, err := gas.Burn(compressed.T, d.BurnerExit, d.BurnerEfficiency)
	if err != nil {
		return err
	}
	burned := d.AirFlow * (1 - d.Cooling)
	e.fuel = f * burned
	p4 := atmosphere.P0 * (1 - d.InletLoss) * d.PressureRatio * (1 - d.BurnerLoss)
	four, err := hot.At(d.BurnerExit)
	if err != nil {
		return err
	}
	flow := burned * (1 + f)
	work := (e.compressorWork + d.Accessories) / (d.SpoolMechanical * flow)
	e.gasGenerator, err = designTurbine(&hot, four, work/d.GasGeneratorEfficiency, flow*math.Sqrt(four.T)/p4)
	if err != nil {
		return err
	}
	e.gasGenerator.efficiency, e.gasGenerator.speedLoss = d.GasGeneratorEfficiency, d.GasGeneratorSpeedLoss
	mixed, between, total, err := mix(four.H-work, compressed.H, flow, d.AirFlow*d.Cooling, e.fuel, four.T)
	if err != nil {
		return err
	}
	return e.designOutput(mixed, between, total, p4/e.gasGenerator.ratio)
}

func (e *Engine) designOutput(g gas.Gas, between gas.State, flow, p45 float64) error {
	d := &e.data
	p8 := d.ExhaustRatio * atmosphere.P0
	ratio := p45 * (1 - d.ExhaustLoss) / p8
	if !(ratio > 1.1) {
		return fmt.Errorf("the power turbine is left a pressure ratio of %.3f", ratio)
	}
	ideal, err := g.Isentropic(between, 1/ratio)
	if err != nil {
		return err
	}
	e.powerTurbine, err = designTurbine(&g, between, between.H-ideal.H, flow*math.Sqrt(between.T)/p45)
	if err != nil {
		return err
	}
	e.powerTurbine.efficiency, e.powerTurbine.speedLoss = d.PowerTurbineEfficiency, d.PowerTurbineSpeedLoss
	out, err := g.AtEnthalpy(between.H-d.PowerTurbineEfficiency*(between.H-ideal.H), ideal.T)
	if err != nil {
		return err
	}
	e.power = flow * (between.H - out.H) * d.OutputMechanical
	e.exhaustCapacity = capacity(&g, out, d.ExhaustRatio)
	e.exhaustArea = flow * math.Sqrt(out.T) / p8 / e.exhaustCapacity
	e.start = vector{1, 0, d.BurnerExit, e.gasGenerator.ratio, e.powerTurbine.ratio}
	return nil
}

// designTurbine finds the pressure ratio that an ideal work takes, and the ellipse's constant for a flow W√T/p.
func designTurbine(g *gas.Gas, from gas.State, ideal, flow float64) (turbine, error) {
	to, err := g.AtEnthalpy(from.H-ideal, from.T-ideal/from.Cp)
	if err != nil {
		return turbine{}, err
	}
	ratio := math.Exp((from.S - to.S) / g.R())
	return turbine{capacity: flow, ellipse: ellipse(ratio), ideal: ideal, ratio: ratio}, nil
}

// ellipse is Stodola's: the share of the choked flow that a pressure ratio drives.
func ellipse(ratio float64) float64 { return math.Sqrt(1 - 1/(ratio*ratio)) }

// mix lets cooling air into the stream: enthalpy of what leaves [J/kg], its gas and its flow [kg/s].
func mix(hot, cold, hotFlow, coldFlow, fuel, guess float64) (gas.Gas, gas.State, float64, error) {
	flow := hotFlow + coldFlow
	g, err := gas.Products(fuel / (flow - fuel))
	if err != nil {
		return g, gas.State{}, 0, err
	}
	s, err := g.AtEnthalpy((hotFlow*hot+coldFlow*cold)/flow, guess-200)
	return g, s, flow, err
}

// capacity is W√T/p of a square metre of exhaust at a total pressure over ambient. Under 1 it counts backwards, so that the
// search for a match is not stopped there.
func capacity(g *gas.Gas, s gas.State, ratio float64) float64 {
	sign := 1.0
	if ratio < 1 {
		ratio, sign = 1/ratio, -1
	}
	gamma := g.Gamma(s)
	m := math.Min(1, math.Sqrt(2/(gamma-1)*(math.Pow(ratio, (gamma-1)/gamma)-1)))
	return sign * math.Sqrt(gamma/g.R()) * m * math.Pow(1+(gamma-1)/2*m*m, -(gamma+1)/(2*(gamma-1)))
}
