package cycle

import (
	"fmt"
	"math"
)

const (
	goodEnough = 1e-8  // a point is accepted
	finished   = 1e-11 // no further step is worth it
	maxSteps   = 40
	halvings   = 12
)

// scale is the size of each unknown, by which its differences are taken; limit is the longest step.
var (
	scale = vector{1, 1, 1000, 1, 1}
	limit = vector{0.05, 0.5, 60, 0.5, 0.5}
)

// NoMatchError says that the parts of the engine do not match at a condition: it does not run there, or not with that health.
type NoMatchError struct {
	Condition Condition
	Miss      float64 // the worst of the five conditions, relative
}

// Error returns the sentence for a person.
func (e *NoMatchError) Error() string {
	return fmt.Sprintf("the engine model has no operating point at %.0f m, %.1f °C, Mach %.2f with this setting and health (off by %.1e)",
		e.Condition.Altitude, e.Condition.OAT, e.Condition.Mach, e.Miss)
}

// Solve finds the operating point at a condition, with a health, at a setting. A point solved before is a good place to start
// from; the zero Point starts at the design. A *NoMatchError says that there is none.
func (e *Engine) Solve(c Condition, h Health, s Setting, from Point) (Point, error) {
	p, err := e.newProblem(c, h, s)
	if err != nil {
		return Point{}, err
	}
	warm := from.solution != vector{}
	start := e.start
	if warm {
		start = from.solution
	}
	point, miss := p.match(start)
	if miss > goodEnough && warm {
		point, miss = p.match(e.start)
	}
	if miss > goodEnough {
		return Point{}, &NoMatchError{c, miss}
	}
	return point, nil
}

// match takes damped Newton steps from a start. It returns the best point and by how much it misses.
func (p *problem) match(x vector) (Point, float64) {
	var at, trial Point
	miss, ok := p.pass(x, &at)
	if !ok {
		return Point{}, 1
	}
	size := norm(miss)
	for step := 1; step <= maxSteps && size > finished; step++ {
		dx, ok := p.step(x, miss)
		if !ok {
			break
		}
		improved := false
		for part := 1.0; part > math.Pow(0.5, halvings); part /= 2 {
			next := x
			for i := range next {
				next[i] += part * dx[i]
			}
			m, ok := p.pass(next, &trial)
			if ok && norm(m) < size {
				x, miss, size, at, improved = next, m, norm(m), trial, true
				break
			}
		}
		at.Iterations = step
		if !improved {
			break
		}
	}
	at.solution = x
	return at, size
}

// step is Newton's, by forward differences, cut to the limits.
func (p *problem) step(x, miss vector) (vector, bool) {
	var a [5][6]float64
	var scratch Point
	for j := range x {
		const h = 1e-7
		moved := x
		moved[j] += h * scale[j]
		m, ok := p.pass(moved, &scratch)
		if !ok {
			return x, false
		}
		for i := range m {
			a[i][j] = (m[i] - miss[i]) / (h * scale[j])
		}
	}
	for i := range miss {
		a[i][5] = -miss[i]
	}
	dx, ok := eliminate(&a)
	if !ok {
		return x, false
	}
	cut := 1.0
	for i := range dx {
		cut = math.Max(cut, math.Abs(dx[i])/limit[i])
	}
	for i := range dx {
		dx[i] /= cut
	}
	return dx, true
}

// eliminate solves five equations with pivoting.
func eliminate(a *[5][6]float64) (x vector, ok bool) {
	for k := range 5 {
		pivot := k
		for i := k + 1; i < 5; i++ {
			if math.Abs(a[i][k]) > math.Abs(a[pivot][k]) {
				pivot = i
			}
		}
		a[k], a[pivot] = a[pivot], a[k]
		if !(math.Abs(a[k][k]) > 1e-14) {
			return x, false
		}
		for i := k + 1; i < 5; i++ {
			f := a[i][k] / a[k][k]
			for j := k; j < 6; j++ {
				a[i][j] -= f * a[k][j]
			}
		}
	}
	for i := 4; i >= 0; i-- {
		x[i] = a[i][5]
		for j := i + 1; j < 5; j++ {
			x[i] -= a[i][j] * x[j]
		}
		x[i] /= a[i][i]
	}
	return x, !math.IsNaN(norm(x))
}

// norm is the largest size of a component; NaN when one is.
func norm(v vector) float64 {
	n := 0.0
	for _, x := range v {
		n = math.Max(n, math.Abs(x))
	}
	return n
}
