// Package thermocouple is the type K thermocouple: its reference function of ITS-90 both ways (NIST Monograph 175, which
// IEC 60584-1 adopted), with the reference junction at 0 °C or elsewhere.
//
// Temperatures are °C, voltages mV. The range is −270 to 1,372 °C; whatever lies outside is refused, and no NaN or infinity
// comes out. Junctions add voltages, never temperatures.
package thermocouple

import (
	"fmt"
	"math"
	"slices"
)

// The range of the reference function [°C].
const (
	MinTemperature = -270.0
	MaxTemperature = 1372.0
)

// The reference function of NIST Monograph 175, type K: E = Σ cᵢ tⁱ, and from 0 °C up a bell besides.
var (
	below = []float64{
		0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10, -0.574103274280e-12,
		-0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
	}
	above = []float64{
		-0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9, -0.560728448890e-12,
		0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
	}
)

const (
	bellHeight = 0.1185976
	bellWidth  = -0.1183432e-3
	bellCentre = 126.9686
)

// The inverse polynomials of the same monograph, good to −0.05 … +0.06 °C: −5.891 to 0 mV, to 20.644 mV, to 54.886 mV.
var (
	inverseBelow = []float64{0, 2.5173462e1, -1.1662878, -1.0833638, -8.9773540e-1, -3.7342377e-1, -8.6632643e-2, -1.0450598e-2, -5.1920577e-4}
	inverseLow   = []float64{0, 2.508355e1, 7.860106e-2, -2.503131e-1, 8.315270e-2, -1.228034e-2, 9.804036e-4, -4.413030e-5, 1.057734e-6, -1.052755e-8}
	inverseHigh  = []float64{-1.318058e2, 4.830222e1, -1.646031, 5.464731e-2, -9.650715e-4, 8.802193e-6, -3.110810e-8}
)

// The voltages [mV] between which the inverse polynomials hold.
const (
	inverseFloor = -5.891
	inverseSeam  = 20.644
)

var lowest, highest = emf(MinTemperature), emf(MaxTemperature)

// EMF is the voltage [mV] of a junction at a temperature [°C] against a reference junction at 0 °C.
func EMF(t float64) (float64, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	return emf(t), nil
}

func checkTemperature(t float64) error {
	if !(t >= MinTemperature && t <= MaxTemperature) {
		return fmt.Errorf("%g °C is outside the range of type K, %g to %g °C", t, MinTemperature, MaxTemperature)
	}
	return nil
}

func emf(t float64) float64 {
	if t < 0 {
		return polynomial(below, t)
	}
	return polynomial(above, t) + bell(t)
}

func bell(t float64) float64 { return bellHeight * math.Exp(bellWidth*(t-bellCentre)*(t-bellCentre)) }

func polynomial(c []float64, x float64) float64 {
	v := 0.0
	for _, k := range slices.Backward(c) {
		v = v*x + k
	}
	return v
}

// Sensitivity is the slope of the reference function [mV/K] at a temperature [°C].
func Sensitivity(t float64) (float64, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	return slope(t), nil
}

func slope(t float64) float64 {
	c, extra := below, 0.0
	if t >= 0 {
		c, extra = above, 2*bellWidth*(t-bellCentre)*bell(t)
	}
	v := 0.0
	for i := len(c) - 1; i > 0; i-- {
		v = v*t + float64(i)*c[i]
	}
	return v + extra
}

// Temperature [°C] of a voltage [mV] against a reference junction at 0 °C: Newton's method on the reference function from
// the published inverse polynomial, so that it comes back to what EMF gave within a millionth of a degree.
func Temperature(millivolts float64) (float64, error) {
	const rounding = 0.0005 // mV: the tables give the ends, −6.458 and 54.886, to three places
	if !(millivolts >= lowest-rounding && millivolts <= highest+rounding) {
		return 0, fmt.Errorf("%.6g mV is outside the range of type K, %.3f to %.3f mV", millivolts, lowest, highest)
	}
	millivolts = min(max(millivolts, lowest), highest)
	t := approximate(millivolts)
	low, high := MinTemperature, MaxTemperature
	for range 60 {
		miss := millivolts - emf(t)
		if miss > 0 {
			low = t
		} else {
			high = t
		}
		next := t + miss/slope(t)
		if !(next >= low && next <= high) { // the function is monotone, so halving always helps
			next = (low + high) / 2
		}
		if math.Abs(next-t) < 1e-10 {
			return next, nil
		}
		t = next
	}
	return t, nil
}

// approximate is what the published inverse polynomials give; below −200 °C, where there is none, a start for Newton.
func approximate(millivolts float64) float64 {
	switch {
	case millivolts < inverseFloor:
		return -220
	case millivolts < 0:
		return polynomial(inverseBelow, millivolts)
	case millivolts < inverseSeam:
		return polynomial(inverseLow, millivolts)
	default:
		return math.Min(polynomial(inverseHigh, millivolts), MaxTemperature)
	}
}

// Measured is the temperature [°C] of a hot junction from the voltage [mV] read across a pair whose other ends are at a
// junction temperature [°C]: the voltages add.
func Measured(millivolts, junction float64) (float64, error) {
	cold, err := EMF(junction)
	if err != nil {
		return 0, err
	}
	return Temperature(millivolts + cold)
}
