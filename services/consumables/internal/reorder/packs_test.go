package reorder_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/reorder"
)

// Whole packs are the least number that holds the quantity; a pack of nothing leaves it. A quantity that is packs but for its rounding in binary
// is no pack more: three times 0.1 is 0.30000000000000004.
func TestQuantitiesInWholePacks(t *testing.T) {
	for _, c := range []struct{ quantity, pack, want float64 }{
		{0, 5, 0}, {1, 5, 5}, {5, 5, 5}, {5.01, 5, 10}, {514, 25, 525}, {7, 0, 7}, {7, -1, 7}, {0.1 + 0.2, 0.1, 0.3}, {20.8, 20.8, 20.8},
	} {
		if got := reorder.InPacks(c.quantity, c.pack); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g in packs of %g: %g, want %g", c.quantity, c.pack, got, c.want)
		}
	}
}

// However many, packs hold the quantity, and one pack fewer does not.
func TestPacksAreNoMoreThanNeeded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		quantity, pack := float64(rapid.IntRange(1, 1_000_000).Draw(t, "quantity"))/8, float64(rapid.IntRange(1, 10_000).Draw(t, "pack"))/8
		got := reorder.InPacks(quantity, pack)
		if n := math.Round(got / pack); math.Abs(got-n*pack) > 1e-6 || got < quantity-1e-6 || got-pack >= quantity {
			t.Fatalf("%g in packs of %g: %g", quantity, pack, got)
		}
	})
}

// An order is no more than what is used in the share of its life that is counted on.
func TestAnOrderIsCappedByItsLife(t *testing.T) {
	for _, c := range []struct{ quantity, perDay, life, margin, want float64 }{
		{500, 2, 180, 0.75, 270}, {200, 2, 180, 0.75, 200}, {270, 2, 180, 0.75, 270}, {500, 0, 180, 1, 0}, {math.Inf(1), 2, 180, 1, 360},
	} {
		if got := reorder.Capped(c.quantity, c.perDay, c.life, c.margin); got != c.want {
			t.Errorf("%+v: %g", c, got)
		}
	}
}
