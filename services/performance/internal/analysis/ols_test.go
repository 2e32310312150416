package analysis

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// washrun is a synthetic series with a wash at 600 hours. The reference values are those of statsmodels: ordinary least
// squares y ~ hours + step, and HAC with four lags and the small-sample correction.
func TestStepOfTheWashRunAgainstStatsmodels(t *testing.T) {
	f, err := os.Open("testdata/washrun.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var x [][]float64
	var y []float64
	for _, row := range rows[1:] {
		h, _ := strconv.ParseFloat(row[0], 64)
		v, _ := strconv.ParseFloat(row[1], 64)
		step := 0.0
		if h >= 600 {
			step = 1
		}
		x, y = append(x, []float64{1, h, step}), append(y, v)
	}
	b, se, ok := leastSquares(x, y, 4)
	if !ok {
		t.Fatal("not determined")
	}
	for i, want := range []float64{0.0041371, 0.02102078, -9.2871807} {
		if math.Abs(b[i]-want) > 1e-4*math.Abs(want)+1e-6 {
			t.Errorf("b[%d] = %v, want %v", i, b[i], want)
		}
	}
	if math.Abs(se[2]-0.868172) > 1e-4 {
		t.Errorf("standard error of the step %v, want 0.868172", se[2])
	}
}

func TestUndeterminedFitsAreReported(t *testing.T) {
	if _, _, ok := leastSquares([][]float64{{1, 2}, {1, 2}, {1, 2}}, []float64{1, 2, 3}, 1); ok {
		t.Error("a singular fit was accepted")
	}
	if _, _, ok := leastSquares([][]float64{{1, 2}}, []float64{1}, 0); ok {
		t.Error("one reading determined two coefficients")
	}
}

// Student's t, two-sided 90 %: printed table values.
func TestStudentQuantiles(t *testing.T) {
	for df, want := range map[int]float64{10: 1.812, 20: 1.725, 30: 1.697, 120: 1.658} {
		if got := t90(df); math.Abs(got-want) > 0.003 {
			t.Errorf("t(%d) = %.4f, want %.3f", df, got, want)
		}
	}
}
