package gas

import (
	"errors"
	"fmt"
	"math"
)

// reference is the temperature [K] of the heating value.
const reference = 298.15

// Isentropic is the state after a change of pressure without loss; the ratio is pressure after over pressure before.
func (g *Gas) Isentropic(from State, ratio float64) (State, error) {
	if !(ratio > 0 && ratio < 1e6) {
		return State{}, fmt.Errorf("a pressure ratio of %g is outside 0 to 1,000,000", ratio)
	}
	return g.AtEntropy(from.S+g.r*math.Log(ratio), from.T*math.Pow(ratio, 0.28))
}

// Compress is the state after a compressor of this pressure ratio and isentropic efficiency.
func (g *Gas) Compress(from State, ratio, efficiency float64) (State, error) {
	if err := checkEfficiency(efficiency); err != nil {
		return State{}, err
	}
	ideal, err := g.Isentropic(from, ratio)
	if err != nil {
		return State{}, err
	}
	return g.AtEnthalpy(from.H+(ideal.H-from.H)/efficiency, ideal.T)
}

// Expand is the state after a turbine of this isentropic efficiency; the ratio is pressure before over pressure after.
func (g *Gas) Expand(from State, ratio, efficiency float64) (State, error) {
	if err := checkEfficiency(efficiency); err != nil {
		return State{}, err
	}
	ideal, err := g.Isentropic(from, 1/ratio)
	if err != nil {
		return State{}, err
	}
	return g.AtEnthalpy(from.H-efficiency*(from.H-ideal.H), ideal.T)
}

func checkEfficiency(efficiency float64) error {
	if !(efficiency > 0.01 && efficiency <= 1) {
		return fmt.Errorf("an efficiency of %g is outside 0.01 to 1", efficiency)
	}
	return nil
}

// Efficiency is what measured totals say about a compressor.
type Efficiency struct {
	Isentropic, Polytropic float64
	IdealExit              float64 // K, without loss
	// PerKelvin is how much the isentropic efficiency falls when the exit temperature reads 1 K more.
	PerKelvin float64
}

// CompressorEfficiency is the efficiency in dry air from inlet and exit total temperature [K] and the pressure ratio. An
// exit colder than without any loss is refused: it means that a probe or a pressure reads wrong.
func CompressorEfficiency(inlet, exit, ratio float64) (Efficiency, error) {
	if !(ratio > 1.01) {
		return Efficiency{}, fmt.Errorf("a pressure ratio of %g compresses nothing; it must exceed 1.01", ratio)
	}
	air := Air()
	from, err := air.At(inlet)
	if err != nil {
		return Efficiency{}, err
	}
	to, err := air.At(exit)
	if err != nil {
		return Efficiency{}, err
	}
	ideal, err := air.Isentropic(from, ratio)
	if err != nil {
		return Efficiency{}, err
	}
	if to.T < ideal.T {
		return Efficiency{}, fmt.Errorf("the exit at %.1f K is colder than %.1f K, which a compressor without loss would give; check the probes", exit, ideal.T)
	}
	e := Efficiency{Isentropic: (ideal.H - from.H) / (to.H - from.H), Polytropic: air.r * math.Log(ratio) / (to.S - from.S), IdealExit: ideal.T}
	e.PerKelvin = e.Isentropic * to.Cp / (to.H - from.H)
	return e, nil
}

// Burn is how much fuel [kg per kg of air] heats air at this temperature [K] to that one with this burner efficiency, and
// what comes out: the balance of enthalpies over C12H23 at 298.15 K. Enthalpy is linear in what was burnt, so the balance
// (1+f)·(h₄ − h₂₉₈) = (h₃ − h₂₉₈) + f·η·LHV has a closed solution.
func Burn(inlet, exit, efficiency float64) (fuelAirRatio float64, out Gas, err error) {
	if !(inlet >= MinTemperature && exit <= MaxTemperature) {
		return 0, out, errRange
	}
	if !(exit >= inlet) {
		return 0, out, errors.New("a burner does not cool: its exit is colder than its inlet")
	}
	if err := checkEfficiency(efficiency); err != nil {
		return 0, out, err
	}
	heat := efficiency*HeatingValue - (burnt.state(exit).H - burntAtReference)
	fuelAirRatio = (dryAir.state(exit).H - dryAir.state(inlet).H) / heat
	if !(heat > 0) {
		return 0, out, errors.New("the fuel's heat does not suffice")
	}
	out, err = Products(fuelAirRatio)
	if err != nil {
		return 0, Gas{}, err
	}
	return fuelAirRatio, out, nil
}

var burntAtReference = burnt.state(reference).H
