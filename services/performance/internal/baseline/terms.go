package baseline

import (
	"fmt"
	"math"
	"slices"
)

// term is a product of powers of the regressors.
type term struct {
	name string
	of   func(x, m, n, h, t float64) float64
}

// terms are those of the polynomial: x is referred power and n propeller speed relative to their scales (n less 1), m the Mach
// number, h pressure altitude in 10 km, t theta less 1. The first determine the corrected engine, the rest what they leave.
var terms = []term{
	{"1", func(_, _, _, _, _ float64) float64 { return 1 }},
	{"x", func(x, _, _, _, _ float64) float64 { return x }},
	{"x^2", func(x, _, _, _, _ float64) float64 { return x * x }},
	{"x^3", func(x, _, _, _, _ float64) float64 { return x * x * x }},
	{"m", func(_, m, _, _, _ float64) float64 { return m }},
	{"m^2", func(_, m, _, _, _ float64) float64 { return m * m }},
	{"x*m", func(x, m, _, _, _ float64) float64 { return x * m }},
	{"n", func(_, _, n, _, _ float64) float64 { return n }},
	{"x*n", func(x, _, n, _, _ float64) float64 { return x * n }},
	{"h", func(_, _, _, h, _ float64) float64 { return h }},
	{"x*h", func(x, _, _, h, _ float64) float64 { return x * h }},
	{"n^2", func(_, _, n, _, _ float64) float64 { return n * n }},
	{"x^2*n", func(x, _, n, _, _ float64) float64 { return x * x * n }},
	{"x*n^2", func(x, _, n, _, _ float64) float64 { return x * n * n }},
	{"n^3", func(_, _, n, _, _ float64) float64 { return n * n * n }},
	{"t", func(_, _, _, _, t float64) float64 { return t }},
	{"x*t", func(x, _, _, _, t float64) float64 { return x * t }},
	{"n*t", func(_, _, n, _, t float64) float64 { return n * t }},
	{"h^2", func(_, _, _, h, _ float64) float64 { return h * h }},
	{"t^2", func(_, _, _, _, t float64) float64 { return t * t }},
}

// altitudeScale is what pressure altitude is divided by [m].
const altitudeScale = 10000

// Term is one term with its coefficients: referred ITT [K], Ng [%], fuel flow [kg/h].
type Term struct {
	Name         string
	Coefficients Values
}

// Polynomial is a baseline written out.
type Polynomial struct {
	Power, Np float64 // what referred power [kW] and propeller speed [rpm] are divided by
	Low, High float64 // referred power [kW] between which it holds
	Terms     []Term
}

// Polynomial writes the model out, so that a person can redo an expectation.
func (m *Model) Polynomial() Polynomial {
	p := Polynomial{Power: m.power, Np: m.np, Low: m.low, High: m.high}
	for i := range m.itt {
		p.Terms = append(p.Terms, Term{terms[i].name, Values{m.itt[i], m.ng[i], m.fuel[i]}})
	}
	return p
}

// Of makes a model of a polynomial that was entered. What its coefficients leave of a table is not known, so Residual is 0.
func Of(p Polynomial, e Exponents) (*Model, error) {
	if !(p.Power > 0 && p.Np > 0 && p.Low >= 0 && p.High > p.Low && !math.IsInf(p.Power+p.Np+p.High, 0)) {
		return nil, fmt.Errorf("the scales %g kW and %g rpm or the range %g to %g kW make no sense", p.Power, p.Np, p.Low, p.High)
	}
	m := &Model{
		exponents: e, terms: len(terms), power: p.Power, np: p.Np, low: p.Low, high: p.High,
		itt: make([]float64, len(terms)), ng: make([]float64, len(terms)), fuel: make([]float64, len(terms)),
	}
	seen := map[string]bool{}
	for _, t := range p.Terms {
		i := slices.IndexFunc(terms, func(k term) bool { return k.name == t.Name })
		if i < 0 || seen[t.Name] {
			return nil, fmt.Errorf("the term %q is not known or stands twice", t.Name)
		}
		if sum := t.Coefficients.ITT + t.Coefficients.Ng + t.Coefficients.Fuel; math.IsNaN(sum) || math.IsInf(sum, 0) {
			return nil, fmt.Errorf("the term %q has a coefficient that is no number", t.Name)
		}
		seen[t.Name] = true
		m.itt[i], m.ng[i], m.fuel[i] = t.Coefficients.ITT, t.Coefficients.Ng, t.Coefficients.Fuel
	}
	if !seen["1"] || !seen["x"] {
		return nil, fmt.Errorf("the polynomial needs at least the terms 1 and x")
	}
	return m, nil
}

// Exponents are those that the model refers with.
func (m *Model) Exponents() Exponents { return m.exponents }
