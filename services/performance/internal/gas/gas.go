// Package gas is what air and the products of lean combustion do when they are heated, squeezed and burnt: enthalpy,
// entropy and heat capacity by the NASA nine-coefficient polynomials (McBride, Zehe and Gordon, NASA/TP-2002-211556), the
// efficiency of a compressor from what was measured, and the fuel that a temperature takes.
//
// Temperatures are total ones in K, enthalpies J/kg, entropies and heat capacities J/(kg K). Enthalpy is counted from the
// elements at 298.15 K, so only differences mean anything. The air is dry: humidity moves heat capacity and gas constant by
// tenths of a percent and counts as uncertainty. Nothing dissociates, which holds to about 1,800 K. Whatever leaves the
// range of the polynomials is refused; no NaN or infinity comes out.
package gas

import (
	"errors"
	"fmt"
	"math"
)

// The temperatures [K] that are worked with; the polynomials hold from 200 K.
const (
	MinTemperature = 200.0
	MaxTemperature = 2500.0
	split          = 1000.0
)

// MaxFuelAirRatio is the richest mixture [kg/kg] with oxygen to spare.
const MaxFuelAirRatio = 0.068

// HeatingValue is the lower heating value of the fuel C12H23 [J/kg] at 298.15 K, from the enthalpies of formation.
const HeatingValue = (fuelFormation - 12*dioxideFormation - 11.5*steamFormation) / fuelMass * 1000

// Gas is a mixture: a gas constant and the coefficients of its polynomials, both for a kilogram.
type Gas struct {
	r         float64
	low, high [9]float64
}

var (
	dryAir = mixture(airByMole, 0)
	burnt  = mixture(burntByMole, fuelMass)
)

// Air is dry air.
func Air() Gas { return dryAir }

// Products are dry air in which this much fuel was burnt [kg of fuel per kg of air], 0 to MaxFuelAirRatio.
func Products(fuelAirRatio float64) (Gas, error) {
	if !(fuelAirRatio >= 0 && fuelAirRatio <= MaxFuelAirRatio) {
		return Gas{}, fmt.Errorf("a fuel-air ratio of %g is outside 0 to %g", fuelAirRatio, MaxFuelAirRatio)
	}
	g := dryAir
	a, b := 1/(1+fuelAirRatio), fuelAirRatio/(1+fuelAirRatio)
	g.r = a*g.r + b*burnt.r
	for i := range g.low {
		g.low[i] = a*g.low[i] + b*burnt.low[i]
		g.high[i] = a*g.high[i] + b*burnt.high[i]
	}
	return g, nil
}

// R is the gas constant [J/(kg K)].
func (g *Gas) R() float64 { return g.r }

// State is a gas at a temperature: T [K], heat capacity and entropy function [J/(kg K)], enthalpy [J/kg].
type State struct {
	T, Cp, H, S float64
}

// errRange says that a state left the range of the polynomials.
var errRange = fmt.Errorf("the gas leaves the range of %g to %g K", MinTemperature, MaxTemperature)

// At is the state at a temperature [K].
func (g *Gas) At(t float64) (State, error) {
	if !(t >= MinTemperature && t <= MaxTemperature) {
		return State{}, errRange
	}
	return g.state(t), nil
}

func (g *Gas) state(t float64) State {
	a := &g.low
	if t > split {
		a = &g.high
	}
	inverse, ln := 1/t, math.Log(t)
	return State{
		T:  t,
		Cp: (a[0]*inverse+a[1])*inverse + a[2] + t*(a[3]+t*(a[4]+t*(a[5]+t*a[6]))),
		H:  -a[0]*inverse + a[1]*ln + a[7] + t*(a[2]+t*(a[3]/2+t*(a[4]/3+t*(a[5]/4+t*a[6]/5)))),
		S:  -(a[0]*inverse/2+a[1])*inverse + a[2]*ln + a[8] + t*(a[3]+t*(a[4]/2+t*(a[5]/3+t*a[6]/4))),
	}
}

// Gamma is the ratio of heat capacities at a state.
func (g *Gas) Gamma(s State) float64 { return s.Cp / (s.Cp - g.r) }

// AtEnthalpy is the state of an enthalpy [J/kg]; a guess of its temperature [K] only saves time.
func (g *Gas) AtEnthalpy(h, guess float64) (State, error) {
	return g.solve(guess, func(s State) float64 { return (h - s.H) / s.Cp })
}

// AtEntropy is the state of an entropy function [J/(kg K)]; a guess of its temperature [K] only saves time.
func (g *Gas) AtEntropy(entropy, guess float64) (State, error) {
	return g.solve(guess, func(s State) float64 { return (entropy - s.S) * s.T / s.Cp })
}

// solve takes Newton's steps until they are rounding.
func (g *Gas) solve(t float64, step func(State) float64) (State, error) {
	if !(t >= MinTemperature && t <= MaxTemperature) {
		t = 600
	}
	bound := 0
	for range 50 {
		d := step(g.state(t))
		t += d
		if math.Abs(d) < 1e-9*t {
			return g.At(t)
		}
		if t >= MinTemperature && t <= MaxTemperature {
			continue
		}
		if bound++; bound > 3 || math.IsNaN(t) {
			return State{}, errRange
		}
		t = math.Min(math.Max(t, MinTemperature), MaxTemperature)
	}
	return State{}, errors.New("the gas has no such state")
}
