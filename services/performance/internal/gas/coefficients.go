package gas

// species is one gas: molar mass [g/mol] and the nine coefficients below and above 1,000 K (a1 … a7, b1, b2).
type species struct {
	mass      float64
	low, high [9]float64
}

// gasConstant is the molar one that the report was made with [J/(mol K)].
const gasConstant = 8.314510

// The coefficients of McBride, Zehe and Gordon, NASA/TP-2002-211556, 200–1,000 K and 1,000–6,000 K.
var (
	nitrogen = species{
		28.0134,
		[9]float64{2.210371497e+04, -3.818461820e+02, 6.082738360e+00, -8.530914410e-03, 1.384646189e-05, -9.625793620e-09, 2.519705809e-12, 7.108460860e+02, -1.076003744e+01},
		[9]float64{5.877124060e+05, -2.239249073e+03, 6.066949220e+00, -6.139685500e-04, 1.491806679e-07, -1.923105485e-11, 1.061954386e-15, 1.283210415e+04, -1.586640027e+01},
	}
	oxygen = species{
		31.9988,
		[9]float64{-3.425563420e+04, 4.847000970e+02, 1.119010961e+00, 4.293889240e-03, -6.836300520e-07, -2.023372700e-09, 1.039040018e-12, -3.391454870e+03, 1.849699470e+01},
		[9]float64{-1.037939022e+06, 2.344830282e+03, 1.819732036e+00, 1.267847582e-03, -2.188067988e-07, 2.053719572e-11, -8.193467050e-16, -1.689010929e+04, 1.738716506e+01},
	}
	argon = species{
		39.948,
		[9]float64{0, 0, 2.5, 0, 0, 0, 0, -7.453750000e+02, 4.379674910e+00},
		[9]float64{2.010538475e+01, -5.992661070e-02, 2.500069401e+00, -3.992141160e-08, 1.205272140e-11, -1.819015576e-15, 1.078576636e-19, -7.449939610e+02, 4.379180110e+00},
	}
	carbonDioxide = species{
		44.0095,
		[9]float64{4.943650540e+04, -6.264116010e+02, 5.301725240e+00, 2.503813816e-03, -2.127308728e-07, -7.689988780e-10, 2.849677801e-13, -4.528198460e+04, -7.048279440e+00},
		[9]float64{1.176962419e+05, -1.788791477e+03, 8.291523190e+00, -9.223156780e-05, 4.863676880e-09, -1.891053312e-12, 6.330036590e-16, -3.908350590e+04, -2.652669281e+01},
	}
	water = species{
		18.01528,
		[9]float64{-3.947960830e+04, 5.755731020e+02, 9.317826530e-01, 7.222712860e-03, -7.342557370e-06, 4.955043490e-09, -1.336933246e-12, -3.303974310e+04, 1.724205775e+01},
		[9]float64{1.034972096e+06, -2.412698562e+03, 4.646110780e+00, 2.291998307e-03, -6.836830480e-07, 9.426468930e-11, -4.822380530e-15, -1.384286509e+04, -7.978148510e+00},
	}
)

// Dry air by mole, as the report's own "Air" is made up.
var airByMole = []part{{nitrogen, 0.78084}, {oxygen, 0.209476}, {argon, 0.009365}, {carbonDioxide, 0.000319}}

// Burning one mole of the fuel C12H23 takes 17.75 moles of oxygen and makes 12 of carbon dioxide and 11.5 of steam.
var burntByMole = []part{{oxygen, -17.75}, {carbonDioxide, 12}, {water, 11.5}}

// The fuel: molar mass [g/mol] and enthalpy of formation of the liquid at 298.15 K [J/mol] of the same report, and those
// of carbon dioxide and steam.
const (
	fuelMass         = 167.3110200
	fuelFormation    = -303403.0
	dioxideFormation = -393510.0
	steamFormation   = -241826.0
)

// part is a share of a mixture by mole.
type part struct {
	species

	moles float64
}

// mixture adds parts up, for a total mass [g] given or, when 0, their own.
func mixture(parts []part, mass float64) Gas {
	var g Gas
	for _, p := range parts {
		if mass == 0 {
			for _, q := range parts {
				mass += q.moles * q.mass
			}
		}
		share := p.moles / mass * gasConstant * 1000
		g.r += share
		for i := range g.low {
			g.low[i] += share * p.low[i]
			g.high[i] += share * p.high[i]
		}
	}
	return g
}
