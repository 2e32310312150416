package margin

import (
	"math"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/regress"
)

// Reading is the deviation of one accepted reading.
type Reading struct {
	Sample

	Deviation baseline.Values
	Theta     float64
}

// Noise is the standard deviation of single readings: the least that is assumed.
type Noise struct{ ITT, Ng, Fuel float64 }

// Careful is the noise where neither the engine model nor the readings tell it. Common practice, no source.
var Careful = Noise{ITT: 4, Ng: 0.3, Fuel: 1.5}

const newest = 15 // readings behind a present level

// StateOf is the level of the newest readings since the last change of the engine, in order of time. Its intervals are widened
// for the memory of the noise, and with few readings they rest on the noise given, or on Careful.
func StateOf(readings []Reading, noise Noise) State {
	phi := memory(readings)
	last := readings[max(0, len(readings)-newest):]
	s := State{Readings: len(last)}
	if len(last) == 0 {
		return s
	}
	for _, r := range last {
		s.Theta += r.Theta / float64(len(last))
	}
	s.ITT = level(last, noise.ITT, Careful.ITT, phi, func(v baseline.Values) float64 { return v.ITT })
	s.Ng = level(last, noise.Ng, Careful.Ng, phi, func(v baseline.Values) float64 { return v.Ng })
	s.Fuel = level(last, noise.Fuel, Careful.Fuel, phi, func(v baseline.Values) float64 { return v.Fuel })
	return s
}

func level(readings []Reading, noise, careful, phi float64, of func(baseline.Values) float64) Deviation {
	var x []float64
	for _, r := range readings {
		x = append(x, of(r.Deviation))
	}
	if noise == 0 && len(x) < 8 {
		noise = careful
	}
	d := mean(x, noise)
	d.Half *= math.Sqrt((1 + phi) / (1 - phi))
	return d
}

// memory is the autocorrelation of neighbours about a straight line; 0 with too few readings to tell.
func memory(readings []Reading) float64 {
	if len(readings) < 2*fewest {
		return 0
	}
	x, y := make([]float64, len(readings)), make([]float64, len(readings))
	for i, r := range readings {
		x[i], y[i] = float64(i), r.Deviation.ITT
	}
	line, err := regress.FitLine(x, y)
	if err != nil {
		return 0
	}
	return math.Min(largestMemory, math.Max(0, line.LagOne))
}
