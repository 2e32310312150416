package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

// Pair are the deviations of both engines of an aircraft on one flight. What they share, such as the air temperature and the
// altitude that were read, moves both.
type Pair struct {
	At        time.Time
	Own, Twin baseline.Values
}

// TwinVerdict is whether a change is of one engine or of both.
type TwinVerdict int

// The verdicts.
const (
	TwinCannotTell TwinVerdict = iota
	Alone                      // the other engine did not change
	Shared                     // both changed alike
)

// Twin is what the other engine of the aircraft says of a change.
type Twin struct {
	Name          string // of the other engine
	Before, After int    // pairs
	Last          time.Time
	Own, Other    baseline.Values // change of the means
	Verdict       TwinVerdict

	factor float64 // how much likelier "shared" is than "alone"
}

// AirData is the cause of a change that both engines share: an indication of the air that both are referred with.
const AirData = "air_data_indication"

const (
	twinPairs = 8  // on each side, that it takes to compare
	mostPairs = 40 // on each side, that are used
	// surest is the most that the comparison makes one side likelier: that two engines change of themselves in the same week and
	// by the same is rarer than one in this many. Common practice, no source.
	surest     = 500
	sureEnough = 20 // from which a verdict is given; common practice, no source
)

// CompareTwin compares what the pairs did at the onset of a change. It reports false with fewer than eight pairs on either
// side. Both means carry their noise, which the rules say where they do and pairs are few, widened for its memory; the difference of the engines may come from engines that answer
// to the same air by up to 15 % more or less, and the other engine may have gathered its usual dirt, which moves it as the rules say.
func CompareTwin(name string, pairs []Pair, onset time.Time, rules Rules) (Twin, bool) {
	pairs = slices.Clone(pairs)
	slices.SortFunc(pairs, func(a, b Pair) int { return a.At.Compare(b.At) })
	split, _ := slices.BinarySearchFunc(pairs, onset, func(p Pair, at time.Time) int { return p.At.Compare(at) })
	before, after := pairs[max(0, split-mostPairs):split], pairs[split:min(len(pairs), split+mostPairs)]
	if len(before) < twinPairs || len(after) < twinPairs {
		return Twin{}, false
	}
	own := func(p Pair) vector { return vectorOf(p.Own) }
	other := func(p Pair) vector { return vectorOf(p.Twin) }
	apart := func(p Pair) vector { return own(p).plus(-1, other(p)) }
	prior := rules.pairNoise()
	moved, _ := contrasted(before, after, prior, own)
	still, stillNoise := contrasted(before, after, prior, other)
	difference, differenceNoise := contrasted(before, after, prior, apart)
	for j, at := range []int{0, 3, 5} {
		differenceNoise[at] += signatureError * signatureError * moved[j] * moved[j]
	}
	g := signaturesOf(rules)
	days := dayOf(after).Sub(dayOf(before)).Hours() / hoursPerDay
	expected, dirt := g.dirtMoved(days, 0)
	stillNoise = stillNoise.plus(dirt, &g.spread)
	t := Twin{Name: name, Before: len(before), After: len(after), Last: after[len(after)-1].At, Own: moved.values(), Other: still.values()}
	t.judge(chi2Of(&differenceNoise, difference), chi2Of(&stillNoise, still.plus(-1, expected)))
	return t, true
}

// judge sets the verdict from the χ² of "both changed alike" and of "the other did not change".
func (t *Twin) judge(shared, alone float64) {
	limit := math.Log(surest)
	t.factor = math.Exp(math.Max(-limit, math.Min(limit, (alone-shared)/2)))
	switch {
	case t.factor >= sureEnough && shared < gate:
		t.Verdict = Shared
	case t.factor <= 1.0/sureEnough && alone < gate:
		t.Verdict = Alone
	default:
	}
}

func chi2Of(noise *matrix, v vector) float64 {
	l, ok := noise.cholesky()
	if !ok {
		return 0
	}
	return l.chi2(v)
}

// dayOf is the middle of the times of pairs.
func dayOf(pairs []Pair) time.Time {
	return pairs[0].At.Add(pairs[len(pairs)-1].At.Sub(pairs[0].At) / 2)
}

// contrasted is the mean after less the mean before, with its covariance: that of single values about their mean on either side,
// drawn to a prior noise while they are few, and widened for the usual memory.
func contrasted(before, after []Pair, prior vector, of func(Pair) vector) (change vector, noise matrix) {
	count := usualCounts
	for j, at := range []int{0, 3, 5} {
		noise[at] = usualCounts * prior[j] * prior[j]
	}
	var means [2]vector
	for i, side := range [2][]Pair{before, after} {
		for _, p := range side {
			means[i] = means[i].plus(1/float64(len(side)), of(p))
		}
		for _, p := range side {
			noise = noise.outer(1, of(p).plus(-1, means[i]))
		}
		count += float64(len(side) - 1)
	}
	const memory = (1 + usualMemory) / (1 - usualMemory)
	scale := memory * (1/float64(len(before)) + 1/float64(len(after))) / count
	return means[1].plus(-1, means[0]), matrix{}.plus(scale, &noise)
}

// pairNoise is the standard deviation of single readings that the rules state, and the usual one where they state none that can be.
func (r *Rules) pairNoise() vector {
	noise, far := usual, [...]float64{farITT, farNg, farFuel}
	for i, stated := range [...]float64{r.NoiseITT, r.NoiseNg, r.NoiseFuel} {
		if stated > 0 && stated <= far[i] {
			noise[i] = math.Max(stated, finest[i])
		}
	}
	return noise
}

// Words say in a sentence what the other engine did.
func (t *Twin) Words() string {
	change := fmt.Sprintf("ITT %+.1f °C, Ng %+.2f %%, fuel flow %+.1f %% here and %+.1f °C, %+.2f %%, %+.1f %% on %s, over %d flights before and %d after",
		t.Own.ITT, t.Own.Ng, t.Own.Fuel, t.Other.ITT, t.Other.Ng, t.Other.Fuel, t.Name, t.Before, t.After)
	switch t.Verdict {
	case Shared:
		return "The other engine of the aircraft changed alike: " + change + "."
	case Alone:
		return "The other engine of the aircraft did not change: " + change + "."
	case TwinCannotTell:
	}
	return "Beside the other engine of the aircraft nothing is certain: " + change + "."
}

// Weigh weighs the causes of a shift again with the other engine. A change of both at once is hardly of one engine's own, but
// may be an indication that they share; a slow one may be dirt from the same air as well. A change of one alone is that engine's.
func (t *Twin) Weigh(s Shift) Shift {
	words := t.Words()
	causes := slices.Clone(s.Causes)
	air := Cause{Name: AirData, Probability: airPrior}
	for i := range causes {
		c := &causes[i]
		shareable := s.Gradual && c.Name == fouling
		c.Probability *= 1 - airPrior
		if !shareable {
			c.Probability /= t.factor
		}
		switch {
		case t.Verdict == Alone, t.Verdict == Shared && shareable:
			c.For = append(slices.Clone(c.For), words)
		case t.Verdict == Shared:
			c.Against = append(slices.Clone(c.Against), words)
		}
	}
	switch t.Verdict {
	case Shared:
		air.For = []string{words}
	case Alone:
		air.Against = []string{words}
	case TwinCannotTell:
		return s
	}
	s.Causes = normalised(append(causes, air))
	s.Named = named(s.Causes)
	s.Steps = append(slices.Clone(s.Steps), Step{t.Last, words, s.Named, bare(s.Causes)})
	return s
}

// airPrior is the probability of a shared indication before the engines are compared: as much as one of the other causes has.
const airPrior = 1.0 / 16

// normalised are causes whose probabilities add up to one, most probable first.
func normalised(causes []Cause) []Cause {
	total := 0.0
	for _, c := range causes {
		total += c.Probability
	}
	for i := range causes {
		causes[i].Probability /= total
	}
	slices.SortStableFunc(causes, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return causes
}
