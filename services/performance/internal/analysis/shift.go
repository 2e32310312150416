package analysis

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"coldsection.example/services/performance/internal/baseline"
)

// Shift is a change that needs an answer: a step or a slow rise that dirt does not explain, or dirt that is worth a wash. It
// was found with the readings up to DetectedAt only.
type Shift struct {
	DetectedAt, Onset time.Time // Onset is estimated
	Gradual           bool
	Dirt              bool            // the level rose by more than a wash is worth; it is no change of the engine
	Change            baseline.Values // ITT [°C], Ng [% points], fuel flow [%]
	Named             bool            // the first cause is named by now; otherwise "cannot tell"
	Causes            []Cause         // as weighed by now, most probable first
	Checks            []Check         // that were made since it began, the newest of each cause
	Steps             []Step          // how they were weighed over time, from its detection on
}

// contrast compares the mean of the newest readings with that of readings before them. One of many readings is looked at every
// few readings only, as little is new in between.
type contrast struct {
	after, gap, before, every int
}

// contrasts look for steps at once and for slow rises with a gap; they are some 1.4 times as long as the one before.
var contrasts = [...]contrast{
	{4, 0, 24, 1}, {6, 0, 24, 1}, {9, 0, 24, 1}, {13, 0, 30, 2}, {20, 0, 40, 4}, {30, 0, 40, 6}, {25, 20, 40, 5}, {30, 45, 40, 6}, {40, 80, 50, 8},
}

const (
	shiftNoise  = 40   // readings that the scatter is learned from, at least
	shiftBefore = 15   // readings before a change that are needed to see it
	shiftSince  = 8    // as many are enough when there was no wash meanwhile
	slowDays    = 30.0 // what rises for less is no slow rise
	worthShift  = 1.0  // standard deviations of single readings, below which a change is not told
	// tests is how many independent looks the contrasts make at each reading: contrasts of n readings are new every n
	// readings, Σ1/n = 0.8, and two more for the same without a wash between.
	tests = 1.0
)

// How dirt usually comes and goes, in units of its signature, which is some 10 °C of ITT: a day adds five thousandths on
// average, with a standard deviation of six between engines, and a wash takes a half away, give or take 0.6. Common practice, no
// source.
const (
	dirtRate, dirtRateSpread = 0.005, 0.006
	washBack, washBackSpread = 0.5, 0.6
)

// dirtMoved is what dirt is expected to have changed between two windows, and the variance of its amount.
func (g *signatures) dirtMoved(days float64, washes int) (expected vector, variance float64) {
	w, spread := float64(washes), dirtRateSpread*days
	return g.dirt.times(dirtRate*days - washBack*w), spread*spread + washBackSpread*washBackSpread*w
}

// shares are 1/n: to divide takes longer.
var shares = func() (s [reach]float64) {
	for n := range s {
		s[n] = 1 / float64(n)
	}
	return s
}()

// limitFor is the χ² with three degrees of freedom that contrasts without a change pass once in so many readings.
func limitFor(readings float64) float64 {
	return distuv.ChiSquared{K: 3}.Quantile(1 - 1/(tests*math.Max(10, readings)))
}

// due are the contrasts that are looked at, by the number of readings modulo a common multiple of all their every.
var due = func() (d [120][]contrast) {
	for n := range d {
		for _, c := range contrasts {
			if n%c.every == 0 {
				d[n] = append(d[n], c)
			}
		}
	}
	return d
}()

// suspicious is where the contrast begins that passes the limit by most; it reports false when none does.
func (h *history) suspicious(g *signatures, mean *longRun, limit float64) (from int, ok bool) {
	now := due[h.N%len(due)]
	for i := range now {
		c := &now[i]
		split := h.N - c.after
		end := split - c.gap
		start := max(h.oldest(), end-c.before)
		if end-start >= shiftBefore {
			if chi2 := h.contrast(g, start, end, split, mean, limit); chi2 > limit {
				from, limit, ok = start, chi2, true
			}
		}
		if h.Washes[0] > start && end-h.Washes[0] >= shiftSince {
			if chi2 := h.contrast(g, h.Washes[0], end, split, mean, limit); chi2 > limit {
				from, limit, ok = h.Washes[0], chi2, true
			}
		}
	}
	return from, ok
}

// contrast is the χ² of the readings after split against those after start up to end, less what dirt is expected to do; 0 may
// stand for one that does not pass the limit. With the noise alone the χ² would be no smaller than with the amount of dirt in
// doubt, too, which mostly settles it without a matrix to be factorised.
func (h *history) contrast(g *signatures, start, end, split int, mean *longRun, limit float64) float64 {
	a, b, c, d := h.at(start), h.at(end), h.at(split), h.at(h.N)
	before, after := shares[end-start], shares[h.N-split]
	expected, moved := g.dirtMoved((d.T-c.T)*after-(b.T-a.T)*before, d.Washes-a.Washes)
	var z vector
	for i := range z {
		z[i] = (d.D[i]-c.D[i])*after - (b.D[i]-a.D[i])*before - expected[i]
	}
	noise := after + before
	if mean.known && mean.inverse.square(&z) < limit*noise {
		return 0
	}
	var v matrix
	for i := range v {
		v[i] = moved*g.spread[i] + mean.covariance[i]*noise
	}
	l, ok := v.cholesky()
	if !ok {
		return 0
	}
	return l.chi2(z)
}

// best is the change of a shape that takes most of χ² away, dirt's part apart, in the readings after start.
func (h *history) best(g *signatures, start int, gradual bool, mean *matrix) change {
	var found change
	for k := start + shiftSince - 1; k <= h.N-3; k++ {
		if gradual && h.day(h.N)-h.day(k) < slowDays {
			break
		}
		if c := h.gained(g, start, k, gradual, mean); c.gain > found.gain {
			found = c
		}
	}
	return found
}

// gained is the fit of a change with the fall of χ² by it, dirt's part apart; without a fall when nothing can be fitted.
func (h *history) gained(g *signatures, start, k int, gradual bool, mean *matrix) change {
	c := h.fit(start, k, gradual)
	if c.precision <= 0 {
		return c
	}
	expected, moved := g.dirtMoved(c.days, c.washes)
	v := matrix{}.plus(1/c.precision, mean).plus(moved, &g.spread)
	if l, ok := v.cholesky(); ok {
		c.gain = l.chi2(c.size.plus(-1, expected))
	}
	return c
}

// find looks for a change in what was seen so far, the scatter and the limit being those of now: by contrasts, which see a big step
// at once and slow rises, and jointly.
func (h *history) find(g *signatures, s *scatter, mean *longRun, limit float64) (found, step, rise change, ok bool) {
	start, ok := h.suspicious(g, mean, limit)
	split, joint := 0, false
	if !ok {
		start, split, joint = h.jointly(g, &mean.covariance, limit)
		ok = joint
	}
	if !ok {
		return found, step, rise, false
	}
	step, rise = h.best(g, start, false, &mean.covariance), h.best(g, start, true, &mean.covariance)
	found = better(step, rise)
	if g.worth(s, found) && (found.gradual || found.washes > 0 || h.sudden(g, &mean.covariance, found, limit)) {
		return found, step, rise, true
	}
	if !joint || !h.besideNoWash(split) {
		return found, step, rise, false
	}
	step = h.gained(g, start, split, false, &mean.covariance)
	return step, step, rise, g.large(s, step)
}

// sudden says whether a step without a wash passes the limit also when dirt may have come fast, before it and after it. Contrasts know
// the usual pace only: on an engine that gets dirty fast they pass by that alone, look after look, until noise does the rest.
func (h *history) sudden(g *signatures, noise *matrix, c change, limit float64) bool {
	x := g.axesOf(noise)
	var s shared
	if !x.known || !s.fit(h, &x, min(c.start, h.recent())) {
		return true
	}
	return s.step(h, &x, c.from) > limit
}

// worth says whether a change is big enough to be told, and no other dirt than the usual. That something changed has passed the limit
// before; what it was is another question, in which dirt has one chance in a hundred to be taken for something else. Asking for
// the limit a second time hid every second small fault of the torque's indication, which moves the engine much as dirt does.
func (g *signatures) worth(s *scatter, c change) bool {
	mean := s.mean()
	if c.gradual || c.washes > 0 {
		return g.beyond(&mean, c, c.precision) >= notDirt && g.beyond(&s.Noise, c, 1) >= worthShift*worthShift
	}
	return g.large(s, c)
}

// large says whether a change is seen beside the scatter of single readings. A step that was found jointly, with dirt and washes
// integrated out, and that is beside no wash, needs no more: dirt does not come at once. Held against all dirt again, a small fault
// of the torque's indication with a wash anywhere among the readings went without a word.
func (g *signatures) large(s *scatter, c change) bool {
	l, ok := s.Noise.cholesky()
	return ok && l.chi2(c.size) >= worthShift*worthShift
}
