package analysis

import (
	"math"

	"coldsection.example/services/performance/internal/baseline"
)

// vector is a deviation of ITT [°C], Ng [% points] and fuel flow [%].
type vector [3]float64

func vectorOf(d baseline.Values) vector { return vector{d.ITT, d.Ng, d.Fuel} }

func (v vector) values() baseline.Values { return baseline.Values{ITT: v[0], Ng: v[1], Fuel: v[2]} }

func (v vector) plus(factor float64, w vector) vector {
	return vector{v[0] + factor*w[0], v[1] + factor*w[1], v[2] + factor*w[2]}
}

func (v vector) times(factor float64) vector {
	return vector{factor * v[0], factor * v[1], factor * v[2]}
}

func (v vector) dot(w vector) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

// matrix is a symmetric covariance of the three deviations, by rows: 00 01 02 11 12 22.
type matrix [6]float64

// plus adds a multiple of another matrix.
func (m matrix) plus(factor float64, o *matrix) matrix {
	for i := range m {
		m[i] += factor * o[i]
	}
	return m
}

// outer adds a multiple of v·vᵀ.
func (m matrix) outer(factor float64, v vector) matrix {
	m.add(factor, &v)
	return m
}

// add is outer in place.
func (m *matrix) add(factor float64, v *vector) {
	m[0] += factor * v[0] * v[0]
	m[1] += factor * v[0] * v[1]
	m[2] += factor * v[0] * v[2]
	m[3] += factor * v[1] * v[1]
	m[4] += factor * v[1] * v[2]
	m[5] += factor * v[2] * v[2]
}

// factor is Cholesky's: the matrix is L·Lᵀ.
type factor struct{ a, b, c, d, e, f float64 }

// cholesky reports false when the matrix is not positive definite.
func (m *matrix) cholesky() (l factor, ok bool) {
	l.a = math.Sqrt(m[0])
	l.b, l.c = m[1]/l.a, m[2]/l.a
	l.d = math.Sqrt(m[3] - l.b*l.b)
	l.e = (m[4] - l.b*l.c) / l.d
	l.f = math.Sqrt(m[5] - l.c*l.c - l.e*l.e)
	return l, l.a > 0 && l.d > 0 && l.f > 0
}

// whiten is L⁻¹·v, whose squared length is the χ² of v.
func (l *factor) whiten(v vector) vector {
	x := v[0] / l.a
	y := (v[1] - l.b*x) / l.d
	return vector{x, y, (v[2] - l.c*x - l.e*y) / l.f}
}

// chi2 of a vector.
func (l *factor) chi2(v vector) float64 { w := l.whiten(v); return w.dot(w) }

// inverse reports false when the matrix is not positive definite.
func (m *matrix) inverse() (inv matrix, ok bool) {
	inv = matrix{
		m[3]*m[5] - m[4]*m[4], m[2]*m[4] - m[1]*m[5], m[1]*m[4] - m[2]*m[3],
		m[0]*m[5] - m[2]*m[2], m[1]*m[2] - m[0]*m[4], m[0]*m[3] - m[1]*m[1],
	}
	det := m[0]*inv[0] + m[1]*inv[1] + m[2]*inv[2]
	for i := range inv {
		inv[i] /= det
	}
	return inv, m[0] > 0 && inv[5]*det > 0 && det > 0
}

// square is vᵀ·M·v.
func (m *matrix) square(v *vector) float64 {
	return v[0]*(m[0]*v[0]+2*(m[1]*v[1]+m[2]*v[2])) + v[1]*(m[3]*v[1]+2*m[4]*v[2]) + v[2]*m[5]*v[2]
}

// logDet of the matrix.
func (l *factor) logDet() float64 { return 2 * (math.Log(l.a) + math.Log(l.d) + math.Log(l.f)) }
