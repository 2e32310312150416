package analysis

import (
	"math"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

// Shift is a change that dirt does not explain: a step, or a slow rise, across the direction in which dirt and washes move
// an engine. It was found with the readings up to DetectedAt only.
type Shift struct {
	DetectedAt, Onset time.Time // Onset is estimated
	Gradual           bool
	Change            baseline.Values // ITT [°C], Ng [% points], fuel flow [%]
	Named             bool            // the first cause is named; otherwise "cannot tell"
	Causes            []Cause         // most probable first
}

const (
	shiftNoise  = 60  // readings that the scatter is learned from, at least
	shiftBefore = 20  // readings before a change that are needed to see it
	shiftAfter  = 6   // readings that a change has lasted
	slowDays    = 30  // what rises for less is no slow rise
	worthShift  = 1.0 // standard deviations of single readings, below which a change is not told
	relearn     = 10  // readings after which the scatter is learned anew
	splits      = 8.0 // effectively independent places of a change at one time, a doubling apart
)

// seen is the history that a detector works on, with running sums of deviations, of days, and of their products.
type seen struct {
	at          []time.Time
	d           []vector
	t           []float64 // days since the first
	sd, st      []vector  // sums of d and of t·d
	days, days2 []float64 // sums of t and of t²
	noise       noise
}

func (s *seen) add(at time.Time, v baseline.Values) {
	if len(s.at) == 0 {
		s.sd, s.st, s.days, s.days2 = []vector{{}}, []vector{{}}, []float64{0}, []float64{0}
	}
	s.at = append(s.at, at)
	t, d, n := at.Sub(s.at[0]).Hours()/24, vector{v.ITT, v.Ng, v.Fuel}, len(s.at)-1
	s.t, s.d = append(s.t, t), append(s.d, d)
	s.sd, s.st = append(s.sd, s.sd[n].plus(1, d)), append(s.st, s.st[n].plus(t, d))
	s.days, s.days2 = append(s.days, s.days[n]+t), append(s.days2, s.days2[n]+t*t)
}

// change is the fit of one shape that begins at one reading.
type change struct {
	from      int
	gradual   bool
	size      vector  // at the newest reading
	precision float64 // the covariance of size is that of a reading divided by this
	gain      float64 // fall of χ² across the direction of dirt
}

// fit is the least-squares fit of d = a + b·x, x being a step or a straight rise from reading k on.
func (s *seen) fit(k int, gradual bool) change {
	n := len(s.d)
	count := float64(n - k)
	sum, squares, cross, last := count, count, s.sd[n].plus(-1, s.sd[k]), 1.0
	if gradual {
		origin := s.t[k-1]
		t1, t2 := s.days[n]-s.days[k], s.days2[n]-s.days2[k]
		sum, squares, last = t1-count*origin, t2-2*origin*t1+count*origin*origin, s.t[n-1]-origin
		cross = s.st[n].plus(-1, s.st[k]).plus(-origin, cross)
	}
	spread := squares - sum*sum/float64(n)
	slope := cross.plus(-sum/float64(n), s.sd[n]).times(1 / spread)
	return change{from: k, gradual: gradual, size: slope.times(last), precision: spread / (last * last)}
}

// best is the change of a shape that takes most of χ² away; its place may still be too new to be told.
func (s *seen) best(gradual bool, n *noise) change {
	var found change
	newest := s.t[len(s.t)-1]
	for k := shiftBefore; k <= len(s.d)-2; k++ {
		if gradual && newest-s.t[k] < slowDays {
			break
		}
		c := s.fit(k, gradual)
		c.gain = c.precision * n.across(c.size) / n.inflation
		if c.gain > found.gain {
			found = c
		}
	}
	return found
}

// find looks for a change in what was seen so far, with the scatter of all readings so far. The threshold follows from the stated number of readings between false
// ones: under no change a gain of χ² with two degrees of freedom passes c with the probability exp(−c/2).
func (s *seen) find(all []sample, falseReadings float64) (Shift, bool) {
	if len(s.d) < shiftBefore+shiftAfter || len(all) < shiftNoise {
		return Shift{}, false
	}
	if s.noise.inflation == 0 || len(all)%relearn == 0 {
		n, ok := scatter(all)
		if !ok {
			return Shift{}, false
		}
		s.noise = n
	}
	n := &s.noise
	step, rise := s.best(false, n), s.best(true, n)
	found := step
	if rise.gain > step.gain {
		found = rise
	}
	limit := 2 * math.Log(falseReadings*splits)
	if found.from > len(s.d)-shiftAfter || found.gain < limit || n.beyond(found, n.inflation/found.precision) < limit || n.beyond(found, 1) < worthShift*worthShift {
		return Shift{}, false
	}
	out := Shift{
		DetectedAt: s.at[len(s.at)-1], Onset: s.at[found.from], Gradual: found.gradual,
		Change: baseline.Values{ITT: found.size[0], Ng: found.size[1], Fuel: found.size[2]},
	}
	out.Causes, out.Named = isolate(step, rise, n)
	return out, true
}
