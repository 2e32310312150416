package analysis

import (
	"math"
	"slices"
)

// hypothesis is a cause with its signature for one unit, the scale of its size, whether it goes one way only, its prior
// probability relative to the others, and the prior probability that it comes slowly. Scales and priors are common practice,
// no source; they are equal where nothing is known, but that dirt is the usual cause.
type hypothesis struct {
	name      string
	signature vector
	scale     float64
	oneWay    bool
	prior     float64
	slow      float64
}

const fouling = "fouling"

// demonstration are the causes with the signatures of the demonstration engine of the project's performance handbook (its
// table of signatures at 90 % power, computed with its cycle model). An operator's engine differs; its own replace them.
var demonstration = []hypothesis{
	{fouling, vector{10.42, 0.585, 0.849}, 1, true, 6, 0.95}, // more than the usual, which is a part of every hypothesis
	{"hot_section", vector{24.5, -0.89, 1.97}, 1, true, 1, 0.9},
	{"bleed_leak", vector{8.9, 0.02, 1.11}, 1.5, true, 1, 0.2},
	{"itt_indication", vector{10, 0, 0}, 1.2, false, 1, 0.05},
	{"torque_indication", vector{-3.9, -0.35, -1.36}, 1.5, false, 1, 0.05},
	{"fuel_flow_indication", vector{0, 0, 1}, 2, false, 1, 0.05},
	{"ng_indication", vector{0, 1, 0}, 0.5, false, 1, 0.05},
	{"power_turbine", vector{2.1, 0.18, 0.71}, 2, true, 1, 0.9},
	{"combustion", vector{-0.1, 0, 1.02}, 1, true, 1, 0.8},
	{"inlet", vector{5.6, 0.29, 0.46}, 2, true, 1, 0.5},
}

// Causes are the causes that can be weighed, by name.
func Causes() []string {
	var names []string
	for _, h := range demonstration {
		names = append(names, h.name)
	}
	return names
}

// moreFlow is what one more per cent of flow lost with the same efficiency does on the demonstration engine: dirt comes in several
// kinds, and ratioSpread is the usual standard deviation of that per cent (ratios of flow to efficiency of 1 to 5 alike). From the
// same table.
var moreFlow = vector{0.65, 0.269, 0.053}

const ratioSpread = 1.41

// signatures are what the causes do to an engine. dirt is the direction in which fouling and washes move it at constant
// corrected power, ratio that in which kinds of dirt differ and kinds by how much, spread the covariance that one unit of dirt of
// unknown sign and kind gives a change.
type signatures struct {
	dirt, ratio vector
	kinds       float64 // standard deviation
	spread      matrix
	hypotheses  []hypothesis
}

// signaturesOf takes an engine's own signatures and habits of causes, and those of the demonstration engine where it has none. The
// size that somebody chose to write a signature down for says nothing of how big the cause comes, so each is brought to the length
// of the demonstration engine's in standard deviations of usual readings; a size of its own is brought to that, too.
func signaturesOf(rules Rules) *signatures {
	g := &signatures{ratio: moreFlow, kinds: ratioSpread, hypotheses: slices.Clone(demonstration)}
	if own := vectorOf(rules.MoreFlow); own != (vector{}) {
		g.ratio = own
	}
	if rules.FlowSpread > 0 {
		g.kinds = rules.FlowSpread
	}
	for i := range g.hypotheses {
		g.hypotheses[i].own(rules)
	}
	g.dirt = g.hypotheses[0].signature
	g.spread = matrix{}.outer(1, g.dirt).outer(g.kinds*g.kinds, g.ratio)
	return g
}

// own makes a hypothesis that of an engine.
func (h *hypothesis) own(rules Rules) {
	unit := 1.0 // the engine's signature, in units of the one that is used
	if v, known := rules.Signatures[h.name]; known {
		if long := vectorOf(v).length(); long > 0 {
			unit = long / h.signature.length()
			h.signature = vectorOf(v).times(1 / unit)
		}
	}
	habit := rules.Habits[h.name]
	if habit.Size > 0 {
		h.scale = habit.Size * unit
	}
	if habit.Prior > 0 {
		h.prior = habit.Prior
	}
	if habit.Slow > 0 && habit.Slow < 1 {
		h.slow = habit.Slow
	}
}

// length of a change in standard deviations of usual readings.
func (v vector) length() float64 {
	for i := range v {
		v[i] /= usual[i]
	}
	return math.Sqrt(v.dot(v))
}
