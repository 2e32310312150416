package regress

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Partition is a series cut into segments.
type Partition struct {
	Breaks []int // the number of observations up to and with the last one of each segment but the final
	RSS    float64
	BIC    float64
}

// MaxSegmented is the longest series that is cut.
const MaxSegmented = 2000

// Segment finds the best cuts of the regression y = X·b into 1 to most+1 segments, each with coefficients of its own and at
// least this many observations: least squares over all partitions by dynamic programming (Bai and Perron, J. Appl. Econometrics
// 18 (2003) 1). The first partition is the uncut one. Errors: those of OLS for the uncut series, and too short a segment.
func Segment(x [][]float64, y []float64, least, most int) ([]Partition, error) {
	if err := checkShape(x, y); err != nil {
		return nil, err
	}
	n, k := len(y), len(x[0])
	if least <= k || n > MaxSegmented || most < 0 {
		return nil, fmt.Errorf("segments of %d observations do not determine %d coefficients, or %d observations are more than %d", least, k, n, MaxSegmented)
	}
	search := search{cost: segmentCosts(x, y, least), least: least, n: n}
	parts := []Partition{criterion(nil, search.first(), n, k)}
	for m := 1; m <= most && (m+1)*least <= n; m++ {
		rss := search.cutOnceMore()
		parts = append(parts, criterion(search.breaks(), rss, n, k))
	}
	for _, p := range parts {
		if err := checkFinite([]float64{p.RSS, p.BIC}); err != nil {
			return nil, err
		}
	}
	return parts, nil
}

// search is the dynamic programme: best[j] is the least RSS of the first j observations with the cuts made so far, and
// cuts[m][j] is where the last of m+1 cuts lies then.
type search struct {
	cost     [][]float64
	least, n int
	best     []float64
	cuts     [][]int
}

func (s *search) first() float64 {
	s.best = make([]float64, s.n+1)
	for j := range s.best {
		s.best[j] = math.Inf(1)
		if j >= s.least {
			s.best[j] = s.cost[0][j]
		}
	}
	return s.best[s.n]
}

func (s *search) cutOnceMore() float64 {
	row, from := make([]float64, s.n+1), make([]int, s.n+1)
	for j := range row {
		row[j] = math.Inf(1)
		for i := (len(s.cuts) + 1) * s.least; i <= j-s.least; i++ {
			if rss := s.best[i] + s.cost[i][j]; rss < row[j] {
				row[j], from[j] = rss, i
			}
		}
	}
	s.best, s.cuts = row, append(s.cuts, from)
	return row[s.n]
}

func (s *search) breaks() []int {
	out := make([]int, len(s.cuts))
	j := s.n
	for m := len(s.cuts) - 1; m >= 0; m-- {
		j = s.cuts[m][j]
		out[m] = j
	}
	return out
}

// criterion is Schwarz's: k coefficients a segment, the break dates and one variance.
func criterion(breaks []int, rss float64, n, k int) Partition {
	size := float64(n)
	fit := math.Max(rss/size, math.SmallestNonzeroFloat64)
	return Partition{breaks, rss, size*(math.Log(fit)+math.Log(2*math.Pi)+1) + math.Log(size)*float64((k+1)*(len(breaks)+1))}
}

// Chosen is the partition with the least BIC.
func Chosen(parts []Partition) Partition {
	best := parts[0]
	for _, p := range parts[1:] {
		if p.BIC < best.BIC {
			best = p
		}
	}
	return best
}

// segmentCosts[i][j] is the RSS of observations i … j−1, by adding a row at a time with Givens' rotations.
func segmentCosts(x [][]float64, y []float64, least int) [][]float64 {
	n, k := len(y), len(x[0])
	cost := make([][]float64, n)
	for i := range cost {
		cost[i] = make([]float64, n+1)
		r := make([][]float64, k)
		for p := range r {
			r[p] = make([]float64, k+1)
		}
		rss, row := 0.0, make([]float64, k+1)
		for j := i; j < n; j++ {
			copy(row, x[j])
			row[k] = y[j]
			rss += rotate(r, row)
			cost[i][j+1] = rss
		}
		if n-i < least {
			break
		}
	}
	return cost
}

// rotate adds a row to a triangle and returns the square of what it leaves over.
func rotate(r [][]float64, row []float64) float64 {
	k := len(r)
	for p := range k {
		if row[p] == 0 {
			continue
		}
		h := math.Hypot(r[p][p], row[p])
		c, s := r[p][p]/h, row[p]/h
		for q := p; q <= k; q++ {
			r[p][q], row[q] = c*r[p][q]+s*row[q], c*row[q]-s*r[p][q]
		}
	}
	return row[k] * row[k]
}

// BreakInterval are the observations between which a break lies with this confidence (Bai, Rev. Econ. Stat. 79 (1997) 551,
// each segment with its own noise and regressors). The segments next to the break are before and after it: from, at and to
// count observations as Partition does.
func BreakInterval(x [][]float64, y []float64, from, at, to int, confidence float64) (low, high int, err error) {
	if !(from >= 0 && from < at && at < to && to <= len(y) && len(x) == len(y) && confidence > 0 && confidence < 1) {
		return 0, 0, fmt.Errorf("a break at %d between %d and %d of %d observations is none", at, from, to, len(y))
	}
	before, err := OLS(x[from:at], y[from:at])
	if err != nil {
		return 0, 0, err
	}
	after, err := OLS(x[at:to], y[at:to])
	if err != nil {
		return 0, 0, err
	}
	size := func(f *Fit) float64 {
		sum := 0.0
		for _, row := range f.x {
			d := 0.0
			for j, v := range row {
				d += v * (after.Coefficients[j] - before.Coefficients[j])
			}
			sum += d * d
		}
		return sum / float64(len(f.x))
	}
	noise1, noise2 := before.RSS/float64(at-from), after.RSS/float64(to-at)
	shift1, shift2 := size(before), size(after)
	if !(noise1 > 0 && noise2 > 0 && shift1 > 0 && shift2 > 0) {
		return at, at, nil // no noise, or no shift to be uncertain about
	}
	d := argmax{xi: shift2 / shift1, phi: shift2 / shift1 * noise2 / noise1}
	tail := (1 - confidence) / 2
	unit := noise1 / shift1
	up, down := d.quantile(1-tail)*unit, d.quantile(tail)*unit
	bound := float64(len(y))
	low = at - int(math.Ceil(math.Min(up, bound)))
	high = at - int(math.Floor(math.Max(down, -bound)))
	return max(low, 1), min(high, len(y)), nil
}

// argmax is the place where a two-sided random walk with drift is highest: drift ½ and variance 1 to the left, drift ξ/2 and
// variance φ to the right (distribution of Bai 1997, appendix B; typed from memory, checked against R's strucchange).
type argmax struct{ xi, phi float64 }

func (a argmax) cdf(x float64) float64 {
	xi, phi, s := a.xi, a.phi, math.Abs(x)
	if x <= 0 {
		f := xi / phi
		return -math.Sqrt(s/(2*math.Pi))*math.Exp(-s/8) -
			phi/xi*(phi+2*xi)/(phi+xi)*math.Exp(f*(1+f)*s/2+logNormalCDF(-(0.5+f)*math.Sqrt(s))) +
			(s/2-2+(phi+2*xi)*(phi+2*xi)/((phi+xi)*xi))*math.Exp(logNormalCDF(-math.Sqrt(s)/2))
	}
	f := xi * xi / phi
	return 1 + math.Sqrt(f*s/(2*math.Pi))*math.Exp(-f*s/8) +
		xi/phi*(2*phi+xi)/(phi+xi)*math.Exp((phi+xi)*s/2+logNormalCDF(-(phi+xi/2)/math.Sqrt(phi)*math.Sqrt(s))) -
		((2*phi+xi)*(2*phi+xi)/((phi+xi)*phi)-2+f*s/2)*math.Exp(logNormalCDF(-math.Sqrt(f*s)/2))
}

// logNormalCDF is ln Φ(z), also far to the left.
func logNormalCDF(z float64) float64 {
	if z > -30 {
		return math.Log(distuv.UnitNormal.CDF(z))
	}
	return -z*z/2 - math.Log(-z) - math.Log(2*math.Pi)/2 - 1/(z*z)
}

// quantile by halving.
func (a argmax) quantile(p float64) float64 {
	low, high := -1e6, 1e6
	for range 200 {
		middle := (low + high) / 2
		if a.cdf(middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}
