package analysis

// reach is how many readings back a change is looked for.
const reach = 256

// sums are running totals through a reading: deviations d, days t, t·d, t², and washes.
type sums struct {
	D, TD  vector
	T, T2  float64
	Washes int
}

// history are the running totals of the newest readings; what lies further back is forgotten, so that a new reading costs the
// same however many came before. N counts all readings, Begin is the first one after the last change that counts.
type history struct {
	N, Begin int
	Washes   [jointWashes + 1]int // the last readings before the last washes, the newest first
	Looked   float64              // the day on which a step was last looked for jointly
	Totals   [reach]sums          // through reading i at i modulo reach; reading numbers begin at 1
	Days     [reach]float64
}

func (h *history) at(i int) *sums { return &h.Totals[uint(i)%reach] }

func (h *history) day(i int) float64 { return h.Days[uint(i)%reach] }

// add takes a reading in, at a day since the first one.
func (h *history) add(day float64, d vector) {
	last := h.at(h.N)
	h.N++
	next := h.at(h.N)
	h.Days[uint(h.N)%reach] = day
	for i, v := range d {
		next.D[i], next.TD[i] = last.D[i]+v, last.TD[i]+day*v
	}
	next.T, next.T2, next.Washes = last.T+day, last.T2+day*day, last.Washes
}

// wash marks that the next reading comes after a wash.
func (h *history) wash() {
	if h.Washes[0] != h.N || h.N == 0 {
		copy(h.Washes[1:], h.Washes[:jointWashes])
		h.Washes[0] = h.N
	}
	h.at(h.N).Washes++
}

// oldest is the reading after which totals are known and nothing changed for a reason.
func (h *history) oldest() int { return max(h.Begin, h.N-reach+1) }

// window is the mean deviation and the mean day of the readings after i up to j.
func (h *history) window(i, j int) (d vector, day float64) {
	a, b, n := h.at(i), h.at(j), 1/float64(j-i)
	return vector{(b.D[0] - a.D[0]) * n, (b.D[1] - a.D[1]) * n, (b.D[2] - a.D[2]) * n}, (b.T - a.T) * n
}

// change is the least-squares fit of one shape of change.
type change struct {
	start     int // the reading after which it was fitted
	from      int // the last reading before it
	gradual   bool
	size      vector  // at the newest reading
	precision float64 // the covariance of size is that of a mean of readings divided by this
	gain      float64 // fall of χ²
	days      float64 // between the middle of what came before and of what came after
	washes    int     // meanwhile
}

// fit is the fit of d = a + b·x to the readings after start, x being a step or a straight rise after reading k.
func (h *history) fit(start, k int, gradual bool) change {
	a, m, b := h.at(start), h.at(k), h.at(h.N)
	n, count := float64(h.N-start), float64(h.N-k)
	all, after := b.D.plus(-1, a.D), b.D.plus(-1, m.D)
	sum, squares, cross, last := count, count, after, 1.0
	if gradual {
		origin := h.day(k)
		t1, t2 := b.T-m.T, b.T2-m.T2
		sum, squares, last = t1-count*origin, t2-2*origin*t1+count*origin*origin, h.day(h.N)-origin
		cross = b.TD.plus(-1, m.TD).plus(-origin, after)
	}
	spread := squares - sum*sum/n
	c := change{start: start, from: k, gradual: gradual, washes: b.Washes - a.Washes, days: (b.T-m.T)/count - (m.T-a.T)/(n-count)}
	if !(spread > 0 && last > 0) {
		return c
	}
	c.size, c.precision = cross.plus(-sum/n, all).times(last/spread), spread/(last*last)
	return c
}
