package plan

import "math"

// salinity are the upper bounds of the classes of airborne salinity, in mg of chloride per square metre and day (ISO 9223; Roberge,
// Corrosion Engineering, table 9.2).
var salinity = []struct {
	class string
	upTo  float64
}{{"S0", 3}, {"S1", 60}, {"S2", 300}, {"S3", 1500}}

// Salinity is the class of a deposition of chloride in mg/(m²·d). What lies above S3, or is no amount, has no class.
func Salinity(deposition float64) (class string, ok bool) {
	for _, s := range salinity {
		if deposition >= 0 && deposition <= s.upTo {
			return s.class, true
		}
	}
	return "", false
}

// Contraction says how much two liquids shrink when they are mixed, from densities in kg/L at one temperature: share is the mass of
// the first in the whole. It returns the volumes of both that make one litre of the mix, in litres; their sum less one litre is
// what vanishes.
func Contraction(share, mix, first, second float64) (litresFirst, litresSecond float64) {
	return mix * share / first, mix * (1 - share) / second
}

// fromMolar is the same from molar volumes, in cm³/mol: the partial ones in the mix and those of the pure liquids. x is the mole
// fraction of the first; it returns the shares of the volume of the mix (Smith, Van Ness and Abbott, Introduction to Chemical
// Engineering Thermodynamics, partial properties).
func fromMolar(x float64, partial, pure [2]float64) (first, second float64) {
	moles := 1 / (x*partial[0] + (1-x)*partial[1])
	return moles * x * pure[0], moles * (1 - x) * pure[1]
}

// Depression is how far an ideal solution of a mass share freezes below water, in kelvin: 1.86 K·kg/mol times its molality. It is
// a check of a table below about 10 % by mass, never a table.
func Depression(massPercent, molarMass float64) float64 {
	return 1.86 * massPercent / (100 - massPercent) * 1000 / molarMass
}

// Orifice is the flow through sharp holes in L/min: Q = Cd·A·√(2·Δp/ρ), without a velocity of approach; diameter in mm, pressure
// in kPa, density in kg/m³.
func Orifice(coefficient, diameter, kPa, density float64, holes int) float64 {
	speed := math.Sqrt(2 * kPa * 1000 / density)
	return coefficient * math.Pi / 4 * diameter * diameter * 1e-6 * speed * float64(holes) * 60000
}

// cleaningAir is what air that blows out an open ring must stay below, in kPa: 30 psi, with guarding and protective equipment
// (29 CFR 1910.242(b)).
const cleaningAir = 30 * 6.894757293168

// MayBlowOut reports whether air of this gauge pressure may clean an open ring.
func MayBlowOut(kPa float64) bool { return kPa < cleaningAir }

// Container is a pressure container as its plate and its records say, in kPa, gauge; days are civil, as YYYY-MM-DD, "" when not
// entered.
type Container struct {
	Allowed, ReliefSet float64 // highest allowed working pressure; what the relief valve is set to
	TestDue, ReliefDue string  // the last days of its test and of its valve's
}

// Highest is what the relief valve must keep the pressure below while it blows: 110 % of what is allowed (29 CFR 1917.155(b), 30 CFR
// 57.13011).
func (c Container) Highest() float64 { return c.Allowed * 1.1 }
