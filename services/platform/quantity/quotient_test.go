package quantity_test

import (
	"math"
	"math/big"
	"math/bits"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/quantity"
)

// nearest is what math/big says of hi and lo over den.
func nearest(hi, lo, den uint64) float64 {
	n := new(big.Int).SetUint64(hi)
	n.Lsh(n, 64).Or(n, new(big.Int).SetUint64(lo))
	f, _ := new(big.Rat).SetFrac(n, new(big.Int).SetUint64(den)).Float64()
	return f
}

// A quotient is the float64 nearest to it, ties to even, as math/big finds it. 2⁶³ + 2¹⁰ lies midway between two of them and goes to the even one, and a
// third more goes up: the remainder is what tells them apart.
func TestAQuotientIsTheNearestNumber(t *testing.T) {
	const midway = 1<<63 + 1<<10
	for _, den := range []uint64{1, 3, 7, 10, 1000, 453592370} {
		hi, lo := bits.Mul64(midway, den)
		for more, want := range map[uint64]float64{0: 1 << 63, 1: 1<<63 + 1<<11} {
			if den == 1 && more == 1 {
				continue // a whole number more, which 64 bits hold exactly
			}
			low, carry := bits.Add64(lo, more, 0)
			if got, ok := quantity.Quotient(hi+carry, low, den); !ok || got != want || got != nearest(hi+carry, low, den) {
				t.Errorf("%d/%d beyond the middle: %v, %t; want %v", more, den, got, ok, want)
			}
		}
	}
	if v, ok := quantity.Quotient(0, 0, 7); v != 0 || !ok {
		t.Errorf("0/7 is %v, %t", v, ok)
	}
	if v, ok := quantity.Quotient(1<<63, 0, 7); ok {
		t.Errorf("128 bits are taken, as %v", v)
	}
	if v, ok := quantity.Quotient(1<<62, 5, 7); !ok || v != nearest(1<<62, 5, 7) {
		t.Errorf("127 bits: %v, %t", v, ok)
	}
	rapid.Check(t, func(t *rapid.T) {
		hi := rapid.Uint64Max(math.MaxInt64).Draw(t, "hi") >> rapid.UintRange(0, 63).Draw(t, "less")
		lo, den := rapid.Uint64().Draw(t, "lo"), rapid.Uint64Min(1).Draw(t, "den")>>rapid.UintRange(0, 30).Draw(t, "smaller")
		if den == 0 {
			den = 1
		}
		if got, ok := quantity.Quotient(hi, lo, den); !ok || got != nearest(hi, lo, den) {
			t.Fatalf("%d·2⁶⁴ + %d over %d: %v, %t; want %v", hi, lo, den, got, ok, nearest(hi, lo, den))
		}
	})
}
