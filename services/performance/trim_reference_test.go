package performance_test

import (
	"fmt"
	"testing"

	"coldsection.example/services/performance/internal/thermocouple"
	"coldsection.example/services/performance/internal/trim"
	"coldsection.example/services/platform/referencetest"
)

// The circuit by another way than Millman's theorem: numpy solves Kirchhoff's equations node by node, with the harness between node 1 and ground, the
// indicator at node 2, and a resistor in line between them (1e-9 Ω where there is none).
const circuit = `
import numpy as np
for name, c in given.items():
    A, b = np.zeros((2, 2)), np.zeros(2)
    for emf, ohm in c["legs"] + c["across"]:
        A[0, 0] += 1 / ohm
        b[0] += emf / ohm
    line = 1 / (c["line"] or 1e-9)
    A += line * np.array([[1.0, -1.0], [-1.0, 1.0]])
    if c["load"]:
        A[1, 1] += 1 / c["load"]
    figures[name] = [np.linalg.solve(A, b)[1]]
`

type drawn struct {
	Legs   [][2]float64 `json:"legs"`
	Across [][2]float64 `json:"across"`
	Line   float64      `json:"line"`
	Load   float64      `json:"load"`
}

func TestTheCircuitBesideKirchhoff(t *testing.T) {
	emf := func(celsius float64) float64 {
		v, err := thermocouple.EMF(celsius)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	given, ours := map[string]drawn{}, map[string]trim.Reading{}
	for load, ohm := range []float64{0, 100, 15} {
		for i, branch := range []trim.Branch{
			{Topology: trim.Absent}, {Topology: trim.Across, Resistance: 12}, {Topology: trim.InLine, Resistance: 7}, {Topology: trim.Across, Resistance: 5, Thermocouple: true, Temperature: -5},
		} {
			h := trim.Harness{Junction: 25, Load: ohm}
			d := drawn{Load: ohm, Across: [][2]float64{}}
			for k, celsius := range []float64{650, 680, 700, 710, 720, 640} {
				leg := 2 + 0.3*float64(k)
				h.Probes = append(h.Probes, trim.Probe{Temperature: celsius, Leg: leg, Open: k == 4})
				if k != 4 {
					d.Legs = append(d.Legs, [2]float64{emf(celsius) - emf(25), leg})
				}
			}
			switch branch.Topology {
			case trim.InLine:
				d.Line = branch.Resistance
			case trim.Across:
				own := 0.0
				if branch.Thermocouple {
					own = emf(branch.Temperature) - emf(25)
				}
				d.Across = append(d.Across, [2]float64{own, branch.Resistance})
			default:
			}
			name := fmt.Sprintf("load %d, branch %d", load, i)
			reading, err := h.Indicated(branch)
			if err != nil {
				t.Fatal(name, err)
			}
			given[name], ours[name] = d, reading
		}
	}
	says := referencetest.Python(t, circuit, given)
	for name, reading := range ours {
		referencetest.Agree(t, name, []float64{reading.Millivolts}, says[name], 1e-7) // the line of 1e-9 Ω costs some digits
	}
}
