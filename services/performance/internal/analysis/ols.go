package analysis

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// leastSquares fits y = x·b and returns b with Newey–West standard errors (Bartlett weights, this many lags, the small
// sample factor n/(n−k)). It reports false when x does not determine b.
func leastSquares(x [][]float64, y []float64, lag int) (b, se []float64, ok bool) {
	n, k := len(x), len(x[0])
	if n <= k {
		return nil, nil, false
	}
	design := mat.NewDense(n, k, nil)
	for i, row := range x {
		design.SetRow(i, row)
	}
	var xtx, inverse mat.Dense
	xtx.Mul(design.T(), design)
	if err := inverse.Inverse(&xtx); err != nil {
		return nil, nil, false
	}
	var xty, coefficients mat.VecDense
	xty.MulVec(design.T(), mat.NewVecDense(n, y))
	coefficients.MulVec(&inverse, &xty)
	residual := make([]float64, n)
	for i := range x {
		residual[i] = y[i] - mat.Dot(design.RowView(i), &coefficients)
	}
	var sandwich, covariance mat.Dense
	sandwich.Mul(&inverse, meat(x, residual, lag))
	covariance.Mul(&sandwich, &inverse)
	factor := float64(n) / float64(n-k)
	for i := range k {
		b = append(b, coefficients.AtVec(i))
		se = append(se, math.Sqrt(math.Max(0, factor*covariance.At(i, i))))
	}
	return b, se, true
}

// cautious are the standard errors to rest a verdict on: Newey–West ones, but no smaller than those of first-order
// autocorrelation or of the engine's known memory (longRun; 1 for none), because in a few dozen readings the sandwich is too
// small as often as not.
func cautious(x [][]float64, y []float64, lag int, memory float64) (b, se []float64, ok bool) {
	b, se, ok = leastSquares(x, y, lag)
	if !ok {
		return nil, nil, false
	}
	n, k := len(x), len(b)
	design, residual := mat.NewDense(n, k, nil), make([]float64, n)
	for i, row := range x {
		design.SetRow(i, row)
		residual[i] = y[i]
		for j := range row {
			residual[i] -= row[j] * b[j]
		}
	}
	var xtx, inverse mat.Dense
	xtx.Mul(design.T(), design)
	if err := inverse.Inverse(&xtx); err != nil {
		return nil, nil, false
	}
	sum, rho := autocorrelation(residual)
	variance := sum / float64(n-k) * math.Max(memory, (1+rho)/(1-rho))
	for i := range se {
		se[i] = math.Max(se[i], math.Sqrt(variance*inverse.At(i, i)))
	}
	return b, se, true
}

// autocorrelation is the sum of squares of residuals and their correlation with their neighbours, freed of the bias
// −(2+4ρ)/n that residuals about a fitted line have (Kendall 1954; Marriott and Pope 1954; from memory), 0 to 0.9.
func autocorrelation(residual []float64) (sum, rho float64) {
	cross := 0.0
	for i, r := range residual {
		sum += r * r
		if i > 0 {
			cross += r * residual[i-1]
		}
	}
	if sum <= 0 {
		return 0, 0
	}
	rho = cross / sum
	rho += (2 + 4*rho) / float64(len(residual))
	return sum, math.Min(0.9, math.Max(0, rho))
}

// meat is the middle of the sandwich: the weighted autocovariances of the scores.
func meat(x [][]float64, residual []float64, lag int) *mat.Dense {
	k := len(x[0])
	m := mat.NewDense(k, k, nil)
	for l := 0; l <= lag; l++ {
		weight := 1 - float64(l)/float64(lag+1)
		for t := l; t < len(x); t++ {
			u := residual[t] * residual[t-l] * weight
			for i := range k {
				for j := range k {
					cross := x[t][i] * x[t-l][j]
					if l > 0 {
						cross += x[t-l][i] * x[t][j]
					}
					m.Set(i, j, m.At(i, j)+u*cross)
				}
			}
		}
	}
	return m
}
