package regress

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// table reads a data set: norris and longley are NIST's Statistical Reference Datasets, nile (Cobb 1978) and stackloss
// (Brownlee 1965) are in every statistics package, washrun is synthetic with a wash of −9 at 600 hours.
func table(t testing.TB, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		var values []float64
		for _, text := range row {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			values = append(values, v)
		}
		out = append(out, values)
	}
	return out
}

func column(rows [][]float64, j int) []float64 {
	var out []float64
	for _, r := range rows {
		out = append(out, r[j])
	}
	return out
}

// design puts a constant before the columns.
func design(columns ...[]float64) [][]float64 {
	var out [][]float64
	for i := range columns[0] {
		row := []float64{1}
		for _, c := range columns {
			row = append(row, c[i])
		}
		out = append(out, row)
	}
	return out
}

// after is 1 from a place on.
func after(x []float64, place float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		if v >= place {
			out[i] = 1
		}
	}
	return out
}

func relative(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g (relative miss %.1e)", what, got, want, math.Abs(got/want-1))
	}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}
