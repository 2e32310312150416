package gas_test

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/gas"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %g ± %g", what, got, want, tolerance)
	}
}

func at(t *testing.T, g gas.Gas, temperature float64) gas.State {
	t.Helper()
	s, err := g.At(temperature)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Ideal-gas properties of air as a thermodynamics textbook prints them (Cengel & Boles, table A-17; values from memory,
// checked against the NASA polynomials): enthalpy [kJ/kg] and entropy function [kJ/(kg K)] over those at 300 K, and the
// ratio of relative pressures.
func TestTextbookAir(t *testing.T) {
	air := gas.Air()
	base := at(t, air, 300)
	for _, c := range []struct{ t, h, pr, s float64 }{
		{200, -100.22, 0.2426, -0.40644},
		{250, -50.14, 0.5288, -0.18286},
		{285, -15.05, 0.8358, -0.05148},
		{300, 0.00, 1.0000, 0.00000},
		{350, 50.30, 1.7165, 0.15505},
		{400, 100.79, 2.7460, 0.28991},
		{450, 151.61, 4.1667, 0.40958},
		{500, 202.83, 6.0685, 0.51749},
		{540, 244.16, 8.0087, 0.59703},
		{600, 306.83, 11.7460, 0.70699},
		{700, 413.08, 20.7792, 0.87074},
		{800, 521.76, 34.4517, 1.01584},
		{900, 632.74, 54.3218, 1.14653},
		{1000, 745.85, 82.2511, 1.26567},
		{1100, 860.88, 120.5628, 1.37529},
		{1200, 977.60, 171.7172, 1.47685},
		{1300, 1095.78, 238.7446, 1.57142},
		{1400, 1215.23, 325.0361, 1.65997},
		{1500, 1335.78, 434.2713, 1.74313},
		{1600, 1457.38, 570.8514, 1.82161},
	} {
		s := at(t, air, c.t)
		near(t, "enthalpy", (s.H-base.H)/1000, c.h, 0.2)
		near(t, "pressure", math.Exp((s.S-base.S)/air.R()), c.pr, 0.0012*c.pr)
		near(t, "entropy", (s.S-base.S)/1000, c.s, 0.0005)
	}
}

// NASA/TP-2002-211556: its air at four temperatures (the polynomials evaluated in Python), and the heating value.
func TestHeatCapacities(t *testing.T) {
	air := gas.Air()
	for _, c := range []struct{ t, cp float64 }{{288.15, 1004.28}, {300, 1004.81651878}, {1000, 1141.01849575}, {1400, 1200.31307336}} {
		near(t, "cp", at(t, air, c.t).Cp, c.cp, 0.005)
	}
	near(t, "gamma", air.Gamma(at(t, air, 288.15)), 1.40023, 1e-5)
	near(t, "R", air.R(), 287.0525, 1e-3)
	near(t, "heating value", gas.HeatingValue/1e6, 43.0319293971, 1e-9)
}

// Walsh & Fletcher, Gas Turbine Performance, F3.23: heat capacity [kJ/(kg K)] of kerosene products, from a public listing
// of its coefficients.
func TestProducts(t *testing.T) {
	for _, c := range []struct{ f, t, cp float64 }{{0.02, 1200, 1.21586}, {0.015, 900, 1.14743}} {
		g, err := gas.Products(c.f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "cp of products", at(t, g, c.t).Cp/1000, c.cp, 0.0005*c.cp)
	}
	if _, err := gas.Products(0.07); err == nil {
		t.Error("a mixture without oxygen was accepted")
	}
}

func TestThePolynomialsMeet(t *testing.T) {
	for _, f := range []float64{0, 0.02, 0.05} {
		g, err := gas.Products(f)
		if err != nil {
			t.Fatal(err)
		}
		below, above := at(t, g, 1000), at(t, g, 1000.0000001)
		near(t, "enthalpy over the seam", above.H-below.H, 0, 2)
		near(t, "entropy over the seam", above.S-below.S, 0, 0.01)
		near(t, "heat capacity over the seam", above.Cp-below.Cp, 0, 0.1)
	}
}

func TestInversesComeBack(t *testing.T) {
	for _, f := range []float64{0, 0.018, 0.06} {
		g, err := gas.Products(f)
		if err != nil {
			t.Fatal(err)
		}
		for temperature := 205.0; temperature < 2490; temperature += 35 {
			s := at(t, g, temperature)
			byH, err := g.AtEnthalpy(s.H, 600)
			byS, err2 := g.AtEntropy(s.S, 600)
			if err != nil || err2 != nil {
				t.Fatalf("%g K: %v %v", temperature, err, err2)
			}
			near(t, "temperature by enthalpy", byH.T, temperature, 1e-5)
			near(t, "temperature by entropy", byS.T, temperature, 1e-5)
		}
	}
	air := gas.Air()
	for _, h := range []float64{-1e9, 1e9, math.Inf(1), math.NaN()} {
		if s, err := air.AtEnthalpy(h, 300); err == nil {
			t.Errorf("an enthalpy of %g gave %+v", h, s)
		}
	}
}
