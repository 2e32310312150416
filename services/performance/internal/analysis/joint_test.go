package analysis

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// Along the axes noise is 1, dirt as it says, and both are unrelated: W·N·Wᵀ = I and W·S·Wᵀ = diag(Dirt²).
func TestTheAxesSettleNoiseAndDirtAtOnce(t *testing.T) {
	g := signaturesOf(Rules{})
	noise := matrix{9, 0.1, 0.3, 0.03, 0.01, 0.8}
	x := g.axesOf(&noise)
	if !x.known {
		t.Fatal("there are none")
	}
	for i := range 3 {
		for j := range 3 {
			want, dirt := 0.0, 0.0
			if i == j {
				want, dirt = 1, x.Dirt[i]*x.Dirt[i]
			}
			if got := between(x.W[i], &noise, x.W[j]); math.Abs(got-want) > 1e-9 {
				t.Errorf("noise of %d and %d: %g, not %g", i, j, got, want)
			}
			if got := between(x.W[i], &g.spread, x.W[j]); math.Abs(got-dirt) > 1e-9 {
				t.Errorf("dirt of %d and %d: %g, not %g", i, j, got, dirt)
			}
		}
		if got := x.W[i].dot(g.dirt); math.Abs(got-x.Usual[i]) > 1e-9 {
			t.Errorf("usual dirt along %d: %g, not %g", i, got, x.Usual[i])
		}
	}
	if none := g.axesOf(&matrix{}); none.known {
		t.Error("a noise of nothing has axes")
	}
	g.ratio = g.dirt
	if one := g.axesOf(&noise); one.known {
		t.Error("dirt of one kind has three axes")
	}
}

func between(v vector, m *matrix, w vector) float64 {
	return v[0]*(m[0]*w[0]+m[1]*w[1]+m[2]*w[2]) + v[1]*(m[1]*w[0]+m[3]*w[1]+m[4]*w[2]) + v[2]*(m[2]*w[0]+m[4]*w[1]+m[5]*w[2])
}

// The χ² from running totals is that of the whole covariance of all readings at once, which gonum's Cholesky solves: the noise, and
// every coefficient with its prior; the level, which has none, with a very wide one.
func TestTheJointStepAgainstTheWholeCovariance(t *testing.T) {
	g := signaturesOf(Rules{})
	noise := matrix{12, 0.2, 0.5, 0.05, 0.02, 1.2}
	x := g.axesOf(&noise)
	random := rand.New(rand.NewPCG(5, 1))
	for _, washes := range [][]int{nil, {70}, {30, 95}} {
		var h history
		var d []vector
		var days []float64
		day := 40.0
		for i := range 120 {
			for _, w := range washes {
				if w == i {
					h.wash()
				}
			}
			day += 0.4 + random.Float64()
			v := vector{3 * random.NormFloat64(), 0.2 * random.NormFloat64(), random.NormFloat64()}
			h.add(day, v)
			d, days = append(d, v), append(days, day)
		}
		const start, k = 8, 101
		var s shared
		ok := s.fit(&h, &x, start)
		if !ok || s.p != 2+2*len(washes) {
			t.Fatalf("%v: solved %v for %d", washes, ok, s.p)
		}
		want := whole(&x, d[start:], days[start:], washes, start, k)
		if got := s.step(&h, &x, k); math.Abs(got-want) > 1e-4*want {
			t.Errorf("%v: %g, not %g", washes, got, want)
		}
	}
}

func whole(x *axes, d []vector, days []float64, washes []int, start, k int) (chi2 float64) {
	n := len(d)
	usual, sds, columns := []float64{0, dirtRate}, []float64{0, fastDirt}, [][]float64{make([]float64, n), make([]float64, n)}
	since := func(from int) (flat, line []float64) {
		flat, line = make([]float64, n), make([]float64, n)
		for i := from - start; i < n; i++ {
			flat[i], line[i] = 1, days[i]-days[from-start]
		}
		return flat, line
	}
	for i := range n {
		columns[0][i], columns[1][i] = 1, days[i]-days[0]
	}
	for _, w := range washes {
		flat, line := since(w)
		columns, usual, sds = append(columns, flat, line), append(usual, -washBack, 0), append(sds, washBackSpread, fastDirt)
	}
	step, hinge := since(k)
	columns, usual, sds = append(columns, hinge), append(usual, 0), append(sds, fastDirt)
	for axis := range 3 {
		v, y := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		for i := range n {
			y.SetVec(i, x.W[axis].dot(d[i]))
			v.SetSym(i, i, 1)
		}
		for c, column := range columns {
			sd := sds[c] * x.Dirt[axis]
			if c == 0 {
				sd = 1e4
			}
			v.SymRankOne(v, sd*sd, mat.NewVecDense(n, column))
			y.AddScaledVec(y, -usual[c]*x.Usual[axis], mat.NewVecDense(n, column))
		}
		var l mat.Cholesky
		l.Factorize(v)
		var solved mat.VecDense
		s := mat.NewVecDense(n, step)
		_ = l.SolveVecTo(&solved, s)
		along := mat.Dot(&solved, y)
		chi2 += along * along / mat.Dot(&solved, s)
	}
	return chi2
}

// Without a change a joint look passes its limit no more often than χ² with three degrees of freedom does for each of the steps that
// it tries, the noise and the dirt being as they are taken for.
func TestAJointLookKeepsItsRate(t *testing.T) {
	g := signaturesOf(Rules{})
	noise := matrix{9, 0, 0, 0.03, 0, 0.8}
	l, _ := noise.cholesky()
	random := rand.New(rand.NewPCG(7, 2))
	const engines, rate = 2000, 0.02
	limit, found := limitFor(1/rate), 0
	for range engines {
		var h history
		slope := dirtRate + 0.006*random.NormFloat64()
		for i := range 15 * jointEvery {
			if i == 60 {
				h.wash()
			}
			dirt := slope*float64(i) - map[bool]float64{true: 0.5}[i >= 60]
			v := vector{l.a * random.NormFloat64(), l.d * random.NormFloat64(), l.f * random.NormFloat64()}
			h.add(float64(i), v.plus(dirt, g.dirt))
		}
		if _, _, ok := h.jointly(g, &noise, limit); ok {
			found++
		}
	}
	if most := rate * float64(len(jointAfter)) * engines; float64(found) > most || found == 0 {
		t.Errorf("%d of %d, at most %.0f", found, engines, most)
	}
}

// It is looked again after so many readings and days, and not before there is enough to look at.
func TestJointLooksTakeTurns(t *testing.T) {
	g := signaturesOf(Rules{})
	noise := matrix{9, 0, 0, 0.03, 0, 0.8}
	var h history
	looks := []float64{}
	for i := range 100 {
		v := vector{}
		if i >= 60 {
			v = vector{0, 0, 5}
		}
		h.add(float64(i), v)
		if _, _, ok := h.jointly(g, &noise, 20); ok {
			looks = append(looks, float64(i))
			if h.N%jointEvery != 0 {
				t.Errorf("looked at reading %d", h.N)
			}
		}
	}
	if len(looks) == 0 || looks[0] < 60 || looks[0] > 76 {
		t.Errorf("a step of fuel flow on day 60 is found on %v", looks)
	}
	h.Looked = h.day(h.N) + 1
	if _, _, ok := h.jointly(g, &noise, 0); ok {
		t.Error("looked again too early")
	}
}
