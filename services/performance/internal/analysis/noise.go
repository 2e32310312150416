package analysis

import "math"

// lags is how far back one reading's scatter is compared with another's; further away they are taken as unrelated.
const lags = 10

// scatter learns the noise of single readings and its memory, a reading at a time, from the differences of readings 1 to 10
// apart (a variogram), which a slow trend hardly touches. Jumps are cut to four standard deviations, and nothing is compared
// across a known change. It begins with the usual noise, which counts like a dozen readings.
type scatter struct {
	Count   int           // readings since the last known change
	Ring    [lags]vector  // of the last readings
	Sum     [lags]vector  // half the squared differences, by distance
	Drift   [lags]vector  // the differences
	N       [lags]float64 // how many
	Cross   matrix        // half the products of differences three readings apart
	Noise   matrix        // the covariance of a reading
	Sigma   vector        // its standard deviations
	Long    vector        // by how much memory inflates the variance of a mean of many readings
	Related [lags]vector  // autocorrelation by distance, from 1
}

// usual is the standard deviation of single readings before there is anything to learn from, and finest the least that is
// believed, which is about the resolution of a cockpit's instruments. Common practice, no source.
var (
	usual  = vector{4, 0.15, 1}
	finest = vector{0.3, 0.03, 0.1}
)

const (
	usualCounts = 12.0
	usualMemory = 0.3   // autocorrelation of neighbours; it counts like this many readings:
	memoryCount = 150.0 // and those of further ones like the square of their distance times as many
	crossLag    = 3
)

func newScatter() scatter {
	s := scatter{}
	s.learn()
	return s
}

// cut forgets the neighbours, at a known change.
func (s *scatter) cut() { s.Count = 0 }

// add takes a reading in.
func (s *scatter) add(d vector) {
	limit := s.Sigma.times(4 * math.Sqrt2)
	here := s.Count % lags
	known := min(s.Count, lags)
	for k, at := 0, here; k < known; k++ {
		if at--; at < 0 {
			at = lags - 1
		}
		before := &s.Ring[at]
		delta := vector{bounded(d[0]-before[0], limit[0]), bounded(d[1]-before[1], limit[1]), bounded(d[2]-before[2], limit[2])}
		sum, drift := &s.Sum[k], &s.Drift[k]
		sum[0], sum[1], sum[2] = sum[0]+delta[0]*delta[0]/2, sum[1]+delta[1]*delta[1]/2, sum[2]+delta[2]*delta[2]/2
		drift[0], drift[1], drift[2] = drift[0]+delta[0], drift[1]+delta[1], drift[2]+delta[2]
		s.N[k]++
		if k == crossLag-1 {
			s.Cross.add(0.5, &delta)
		}
	}
	s.Ring[here] = d
	s.Count++
}

// bounded is a difference, cut to a limit.
func bounded(x, limit float64) float64 {
	if x > limit {
		return limit
	}
	if x < -limit {
		return -limit
	}
	return x
}

// learn works the noise out of what was added so far.
func (s *scatter) learn() {
	var prior matrix
	prior[0], prior[3], prior[5] = usual[0]*usual[0], usual[1]*usual[1], usual[2]*usual[2]
	s.remember()
	n := s.N[crossLag-1]
	for at, ij := range [6][2]int{{0, 0}, {0, 1}, {0, 2}, {1, 1}, {1, 2}, {2, 2}} {
		// Differences three readings apart lack what the noise still remembers over them.
		kept := math.Sqrt(s.forgotten(ij[0]) * s.forgotten(ij[1]))
		s.Noise[at] = (usualCounts*prior[at] + s.Cross[at]/kept) / (usualCounts + n)
	}
	for j, at := range []int{0, 3, 5} {
		s.Noise[at] = max(s.Noise[at], finest[j]*finest[j])
		s.Sigma[j] = math.Sqrt(s.Noise[at])
	}
}

// forgotten is the share of a deviation's variance that differences across crossLag readings show; at least a half.
func (s *scatter) forgotten(i int) float64 {
	return 1 - max(0, min(0.5, s.Related[crossLag-1][i]))
}

// variogram is half the mean squared difference of readings some places apart, freed of their mean difference, which is dirt
// that comes.
func (s *scatter) variogram(k, i int) float64 {
	n := max(1, s.N[k])
	drift := s.Drift[k][i] / n
	return s.Sum[k][i]/n - drift*drift/2
}

// remember works the autocorrelation out: ρ(k) = 1 − V(k)/V(10), drawn to that of a first-order memory while little is known,
// and with it 1 + 2·Σρ(k), the inflation of a mean of many readings, never below 1.
func (s *scatter) remember() {
	var weights [lags - 1]float64
	for k := range weights {
		weights[k] = s.N[k] / (s.N[k] + memoryCount*float64((k+1)*(k+1)))
	}
	for i := range 3 {
		var v [lags]float64
		for k := range v {
			v[k] = s.variogram(k, i)
		}
		far := (v[lags-1] + v[lags-2] + v[lags-3]) / 3
		s.Long[i] = 1
		for k, weight := range weights {
			rho := usualRelated[k]
			if far > 0 {
				rho += weight * (max(-0.5, min(0.95, 1-v[k]/far)) - rho)
			}
			s.Related[k][i] = rho
			s.Long[i] += 2 * rho
		}
		s.Long[i] = max(1, s.Long[i])
	}
}

// mean is the covariance of a mean of many readings, to be divided by their number.
func (s *scatter) mean() matrix {
	var m matrix
	r := vector{math.Sqrt(s.Long[0]), math.Sqrt(s.Long[1]), math.Sqrt(s.Long[2])}
	for at, ij := range [6][2]int{{0, 0}, {0, 1}, {0, 2}, {1, 1}, {1, 2}, {2, 2}} {
		m[at] = s.Noise[at] * r[ij[0]] * r[ij[1]]
	}
	return m
}

// longRun is the covariance of a mean of many readings, to be divided by their number.
type longRun struct {
	covariance, inverse matrix
	known               bool // there is an inverse
}

func longRunOf(covariance matrix) (r longRun) {
	r.covariance = covariance
	r.inverse, r.known = covariance.inverse()
	return r
}

// usualRelated is the autocorrelation that is usual, by distance.
var usualRelated = func() (r [lags]float64) {
	for k := range r {
		r[k] = math.Pow(usualMemory, float64(k+1))
	}
	return r
}()

// propeller learns what a table of one propeller speed leaves over at others: a parabola through zero at the table's speed,
// from the differences of neighbours, which a level that moves hardly touches. It begins with no effect.
type propeller struct {
	Any    bool
	N      float64 // speed of the last reading, relative to the table's, less 1
	D      vector
	XX     [3]float64 // sums of squares and products of the differences of n and n²
	XD     [2]vector
	Effect [2]vector // per n and per n²
}

// usualSpeed are the effects that are usual at most, in standard deviations of a reading per n and n²; they count like one
// observation.
var usualSpeed = [2]float64{15, 150}

// correct takes the effect out of a deviation.
func (p *propeller) correct(n float64, d vector) vector {
	return d.plus(-n, p.Effect[0]).plus(-n*n, p.Effect[1])
}

// add takes a reading in, single jumps cut to four standard deviations.
func (p *propeller) add(n float64, d, sigma vector) {
	if x, xx := n-p.N, n*n-p.N*p.N; p.Any && x != 0 {
		delta := d.plus(-1, p.D)
		for i := range delta {
			expected := p.Effect[0][i]*x + p.Effect[1][i]*xx
			delta[i] = expected + bounded(delta[i]-expected, 4*math.Sqrt2*sigma[i])
		}
		p.XX[0], p.XX[1], p.XX[2] = p.XX[0]+x*x, p.XX[1]+x*xx, p.XX[2]+xx*xx
		p.XD[0], p.XD[1] = p.XD[0].plus(x, delta), p.XD[1].plus(xx, delta)
	}
	p.Any, p.N, p.D = true, n, d
}

// learn solves for the effect.
func (p *propeller) learn() {
	a, b, c := p.XX[0]+2/(usualSpeed[0]*usualSpeed[0]), p.XX[1], p.XX[2]+2/(usualSpeed[1]*usualSpeed[1])
	det := a*c - b*b
	if !(det > 0) {
		return
	}
	p.Effect[0] = p.XD[0].times(c/det).plus(-b/det, p.XD[1])
	p.Effect[1] = p.XD[1].times(a/det).plus(-b/det, p.XD[0])
}
