package analysis

import "math"

// A step is also looked for in all that was read lately at once, by a generalised likelihood ratio with dirt integrated out
// (Willsky and Jones, IEEE Trans. Automatic Control 21 (1976), for steps in linear systems with noise): a level, dirt that comes
// with a slope of its own after each wash, what washes took, and from the step on dirt that comes faster or more slowly. Two windows
// side by side, as contrasts are, lose most of a small step to the dirt that may have come between their middles.
const (
	jointReach  = 160  // readings
	jointEvery  = 7    // readings, and
	jointDays   = 6.0  // days after which it is looked again
	jointBefore = 25   // readings before the step that it takes
	jointWashes = 2    // in what is looked at
	fastDirt    = 0.02 // standard deviation of dirt's slope, in units of its signature a day: that of dirt that comes fast is allowed for
)

// jointAfter are how many readings after a step it is looked for; a big one is seen sooner by contrasts.
var jointAfter = [...]int{8, 11, 15, 19, 24, 29, 34, 39, 44}

// axes are three directions in which noise is 1 and unrelated, and dirt of any kind, too: W takes a deviation into them.
type axes struct {
	W     [3]vector
	Dirt  vector // the square root of dirt's variance, along each
	Usual vector // usual dirt
	known bool
}

// axesOf are those of a noise, that of a mean of many readings, and of dirt.
func (g *signatures) axesOf(noise *matrix) (x axes) {
	l, ok := noise.cholesky()
	if !ok {
		return x
	}
	u, v := l.whiten(g.dirt), l.whiten(g.ratio.times(g.kinds))
	a, b, c := u.dot(u), u.dot(v), v.dot(v)
	// The eigenvectors of u·uᵀ + v·vᵀ lie in the plane of u and v: those of the 2×2 matrix of their products.
	half, root := (a+c)/2, math.Hypot((a-c)/2, b)
	angle := math.Atan2(2*b, a-c) / 2
	first := u.times(math.Cos(angle)).plus(math.Sin(angle), v)
	second := v.times(math.Cos(angle)).plus(-math.Sin(angle), u)
	x.Dirt = vector{math.Sqrt(half + root), math.Sqrt(math.Max(0, half-root))}
	if !(x.Dirt[1] > 1e-9*x.Dirt[0]) {
		return x
	}
	e := [3]vector{first.times(1 / x.Dirt[0]), second.times(1 / x.Dirt[1])}
	e[2] = vector{e[0][1]*e[1][2] - e[0][2]*e[1][1], e[0][2]*e[1][0] - e[0][0]*e[1][2], e[0][0]*e[1][1] - e[0][1]*e[1][0]}
	for i := range e {
		x.W[i] = l.unwhiten(e[i])
		x.Usual[i] = e[i].dot(u)
	}
	x.known = true
	return x
}

// unwhiten is L⁻ᵀ·v, so that its product with a vector is that of v with the whitened one.
func (l *factor) unwhiten(v vector) vector {
	z := v[2] / l.f
	y := (v[1] - l.e*z) / l.d
	return vector{(v[0] - l.b*y - l.c*z) / l.a, y, z}
}

// tail are sums over the readings after m, days counted from the newest reading.
type tail struct {
	m        int
	n, t, t2 float64
	y, ty    vector // in the axes
}

// tail sums up what was read after m.
func (h *history) tail(x *axes, m int) tail {
	a, b, o := h.at(m), h.at(h.N), h.day(h.N)
	n, t := float64(h.N-m), b.T-a.T
	s := tail{m: m, n: n, t: t - n*o, t2: b.T2 - a.T2 - 2*o*t + n*o*o}
	d, td := b.D.plus(-1, a.D), b.TD.plus(-1, a.TD)
	for i := range s.y {
		s.y[i] = x.W[i].dot(d)
		s.ty[i] = x.W[i].dot(td) - o*s.y[i]
	}
	return s
}

// regressor is 0 up to a reading and 1 from then on, or the days since then.
type regressor struct {
	tail

	line     bool
	from     float64 // day
	sd, mean float64 // of its coefficient, in units of dirt
}

// times is the sum of the products of two regressors.
func (r *regressor) times(o *regressor) float64 {
	if o.m > r.m {
		r, o = o, r
	}
	switch {
	case r.line && o.line:
		return r.t2 - (r.from+o.from)*r.t + r.n*r.from*o.from
	case r.line:
		return r.t - r.n*r.from
	case o.line:
		return r.t - r.n*o.from
	}
	return r.n
}

// read is the sum of its products with what was read along an axis.
func (r *regressor) read(i int) float64 {
	if r.line {
		return r.ty[i] - r.from*r.y[i]
	}
	return r.y[i]
}

// mostShared is how many regressors a level, a slope and the washes have.
const mostShared = 2 + 2*jointWashes

type column [mostShared]float64

// shared is what the steps that are tried share: the regression on level, slopes and washes, factorised along each axis.
type shared struct {
	r     [mostShared]regressor
	p     int
	l     [3][mostShared]column // Cholesky's factor of the normal equations
	z     [3]column             // L⁻¹ · what was read
	scale [3]column             // of the regressors, by which priors become 1; the level has none
	usual [3]column             // the mean of the coefficients
}

// fit takes the readings after start; it reports false when they can't be solved for.
func (s *shared) fit(h *history, x *axes, start int) bool {
	s.r[0] = regressor{tail: h.tail(x, start)}
	s.r[1] = h.line(s.r[0].tail, dirtRate)
	s.p = 2
	for _, w := range h.Washes {
		if w > start && w < h.N && s.p < mostShared {
			s.r[s.p] = regressor{tail: h.tail(x, w), sd: washBackSpread, mean: -washBack}
			s.r[s.p+1] = h.line(s.r[s.p].tail, 0)
			s.p += 2
		}
	}
	var products [mostShared]column
	for a := range s.p {
		for b := range a + 1 {
			v := s.r[a].times(&s.r[b])
			products[a][b], products[b][a] = v, v //nolint:gosec // s.p is at most mostShared
		}
	}
	for i := range 3 {
		s.scale[i][0] = 1
		for a := 1; a < s.p; a++ {
			s.scale[i][a], s.usual[i][a] = s.r[a].sd*x.Dirt[i], s.r[a].mean*x.Usual[i]
		}
		if !s.factorise(i, &products) {
			return false
		}
	}
	return true
}

// line is dirt that comes at another rate from a reading on.
func (h *history) line(at tail, usual float64) regressor {
	return regressor{tail: at, line: true, from: h.day(at.m+1) - h.day(h.N), sd: fastDirt, mean: usual}
}

func (s *shared) factorise(i int, products *[mostShared]column) bool {
	l := &s.l[i]
	for a := range s.p {
		rest := s.r[a].read(i)
		for b := 1; b < s.p; b++ {
			rest -= products[a][b] * s.usual[i][b]
		}
		row := &l[a]
		s.forward(row, i, a, &products[a], s.scale[i][a])
		v := products[a][a] * s.scale[i][a] * s.scale[i][a]
		if a > 0 {
			v++ // the prior
		}
		z := rest * s.scale[i][a]
		for c := range a {
			v -= row[c] * row[c]
			z -= row[c] * s.z[i][c]
		}
		if !(v > 0) {
			return false
		}
		row[a] = math.Sqrt(v)
		s.z[i][a] = z / row[a]
	}
	return true
}

// forward makes w L⁻¹ · the first products of a regressor of this scale with the shared ones.
func (s *shared) forward(w *column, i, first int, products *column, scale float64) {
	for a := range first {
		v, row := products[a]*s.scale[i][a]*scale, &s.l[i][a]
		for c := range a {
			v -= row[c] * w[c]
		}
		w[a] = v / row[a]
	}
}

// step is the χ² with three degrees of freedom of a step after reading k.
func (s *shared) step(h *history, x *axes, k int) (chi2 float64) {
	step := regressor{tail: h.tail(x, k)}
	hinge := h.line(step.tail, 0)
	var steps, hinges, ws, wh column
	for a := range s.p {
		steps[a], hinges[a] = step.times(&s.r[a]), hinge.times(&s.r[a])
	}
	length, both, square := step.n, step.times(&hinge), hinge.times(&hinge)
	for i := range 3 {
		scale := fastDirt * x.Dirt[i]
		s.forward(&ws, i, s.p, &steps, 1)
		s.forward(&wh, i, s.p, &hinges, scale)
		ss, sh, hh := length, both*scale, square*scale*scale+1
		rs, rh := step.read(i), hinge.read(i)*scale
		for a := range s.p {
			usual, z := s.usual[i][a], s.z[i][a]
			rs -= steps[a]*usual + ws[a]*z
			rh -= hinges[a]*usual*scale + wh[a]*z
			ss, sh, hh = ss-ws[a]*ws[a], sh-ws[a]*wh[a], hh-wh[a]*wh[a]
		}
		if ss -= sh * sh / hh; ss > 1e-6 {
			rs -= sh * rh / hh
			chi2 += rs * rs / ss
		}
	}
	return chi2
}

// recent is where the readings begin that are looked at jointly.
func (h *history) recent() int { return max(h.oldest(), h.N-jointReach, h.Washes[jointWashes]) }

// jointly says whether any step passes the limit, where the readings begin that tell so, and after which reading the likeliest step is.
// Most readings are not looked at, as little is new.
func (h *history) jointly(g *signatures, noise *matrix, limit float64) (start, split int, ok bool) {
	today := h.day(h.N)
	if h.N%jointEvery != 0 || today < h.Looked+jointDays {
		return 0, 0, false
	}
	h.Looked = today
	start = h.recent()
	x := g.axesOf(noise)
	if !x.known || h.N-start < jointBefore+jointAfter[0] {
		return 0, 0, false
	}
	var s shared
	if !s.fit(h, &x, start) {
		return 0, 0, false
	}
	for _, after := range jointAfter {
		if h.N-after-start < jointBefore {
			break
		}
		if s.step(h, &x, h.N-after) > limit {
			return start, s.likeliest(h, &x, start+jointBefore), true
		}
	}
	return 0, 0, false
}

// likeliest is the reading, not before the first, after which a step has the largest χ², of all that are looked at.
func (s *shared) likeliest(h *history, x *axes, first int) (split int) {
	most := 0.0
	for k := max(first, h.N-jointAfter[len(jointAfter)-1]); k <= h.N-jointAfter[0]; k++ {
		if chi2 := s.step(h, x, k); chi2 > most {
			split, most = k, chi2
		}
	}
	return split
}

// besideNoWash says whether no wash lies so near to a step that its part and the step's can't be told apart.
func (h *history) besideNoWash(split int) bool {
	for _, w := range h.Washes {
		if w > 0 && max(w-split, split-w) < shiftSince {
			return false
		}
	}
	return true
}
