package regress

import (
	"math"
	"testing"
)

// A shift of one sigma from the fourth value on, by hand: allowance ½.
func TestACusumByHand(t *testing.T) {
	upper, lower := 0.0, 0.0
	want := []struct{ upper, lower float64 }{{0, 0}, {0, 0}, {0, 0}, {0.5, 0}, {1, 0}, {1.5, 0}, {2, 0}, {2.5, 0}, {0, 8.5}}
	for i, v := range []float64{0, 0, 0, 1, 1, 1, 1, 1, -9} {
		upper, lower = Cusum(upper, v, 0.5), Cusum(lower, -v, 0.5)
		if upper != want[i].upper || lower != want[i].lower {
			t.Errorf("after value %d: %v above, %v below, want %+v", i+1, upper, lower, want[i])
		}
	}
}

func TestAnEWMAOfEqualValuesIsTheirs(t *testing.T) {
	at := 7.0
	for range 3 {
		at = EWMA(at, 7, 0.2)
	}
	if limit := EWMALimit(0.2, 3, 3); at != 7 || math.Abs(limit-3) > 1e-12 { // 3·3·√(0.2/1.8) = 3
		t.Errorf("%v ± %v", at, limit)
	}
	if got := EWMA(10, 20, 0.3); math.Abs(got-13) > 1e-12 { // 0.3·20 + 0.7·10
		t.Errorf("%v", got)
	}
}
