package regress

import (
	"math"
	"testing"
)

// A shift of one sigma from the fourth value on, by hand: allowance ½, height 2.
func TestACusumByHand(t *testing.T) {
	upper, lower, up, down, err := Cusum([]float64{0, 0, 0, 1, 1, 1, 1, 1, -9}, 0, 0.5, 2)
	if err != nil {
		t.Fatal(err)
	}
	if want := []float64{0, 0, 0, 0.5, 1, 1.5, 2, 2.5, 0}; upper[7] != want[7] || upper[8] != 0 || up != 8 {
		t.Errorf("%v, signal at %d", upper, up)
	}
	if lower[7] != 0 || lower[8] != 8.5 || down != 9 {
		t.Errorf("%v, signal at %d", lower, down)
	}
}

func TestAnEWMAOfEqualValuesIsTheirs(t *testing.T) {
	averages, limit, err := EWMA([]float64{7, 7, 7}, 7, 0.2, 3, 3)
	if err != nil || math.Abs(averages[2]-7) > 1e-12 || math.Abs(limit-3) > 1e-12 { // 3·3·√(0.2/1.8) = 3
		t.Errorf("%v ± %v, %v", averages, limit, err)
	}
}

func TestChartsOfNothingAreRefused(t *testing.T) {
	nan := math.NaN()
	for _, c := range [][3]float64{{nan, 0.2, 1}, {0, 0, 1}, {0, 1.1, 1}, {0, nan, 1}, {0, 0.2, nan}, {0, 0.2, -1}} {
		if v, _, err := EWMA([]float64{1}, c[0], c[1], c[2], 3); err == nil {
			t.Errorf("%v gives %v", c, v)
		}
	}
	for _, c := range [][3]float64{{nan, 0.5, 4}, {0, nan, 4}, {0, -1, 4}, {0, 0.5, 0}, {0, 0.5, nan}} {
		if v, _, _, _, err := Cusum([]float64{1}, c[0], c[1], c[2]); err == nil {
			t.Errorf("%v gives %v", c, v)
		}
	}
	if v, _, err := EWMA([]float64{1, math.Inf(1)}, 0, 0.2, 1, 3); err == nil {
		t.Errorf("%v", v)
	}
	if v, _, _, _, err := Cusum([]float64{nan}, 0, 0.5, 4); err == nil {
		t.Errorf("%v", v)
	}
}
