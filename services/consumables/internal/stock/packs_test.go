package stock_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/stock"
)

func TestOpenPacks(t *testing.T) {
	for _, c := range []struct {
		amount, pack, there stock.Micro
		want                stock.Opening
	}{
		{5, 2, 20, stock.Opening{Sealed: 4, Part: 1, Opened: 2}}, {4, 2, 20, stock.Opening{Sealed: 4}}, {1, 2, 20, stock.Opening{Part: 1, Opened: 2}},
		{19, 5, 19, stock.Opening{Sealed: 15, Part: 4, Opened: 4}}, // a count found the last pack short
		{1, 0, 20, stock.Opening{Part: 1, Opened: 20}},             // one container
	} {
		if got := stock.OpenPacks(c.amount, c.pack, c.there); got != c.want {
			t.Errorf("%d of packs of %d: %+v, want %+v", c.amount, c.pack, got, c.want)
		}
	}
}

// Whatever is taken of whatever packs: nothing is lost, what stays sealed is whole, and one pack at most is opened for an issue.
func TestOpeningLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pack := stock.Micro(rapid.Int64Range(1, 1_000_000).Draw(t, "pack"))
		there := stock.Micro(rapid.Int64Range(1, 1_000_000_000).Draw(t, "there"))
		amount := stock.Micro(rapid.Int64Range(1, int64(there)).Draw(t, "amount"))
		o := stock.OpenPacks(amount, pack, there)
		if o.Sealed+o.Part != amount || o.Sealed%pack != 0 || o.Part >= pack || o.Opened < o.Part || o.Opened > pack || o.Sealed+o.Opened > there || (o.Part == 0) != (o.Opened == 0) {
			t.Errorf("%d of %d in packs of %d: %+v", amount, there, pack, o)
		}
		if all := stock.PacksFor(amount, pack, there); all < amount || all > there || all-amount >= pack || all%pack != 0 && all != there {
			t.Errorf("%d of %d in packs of %d: %d opened", amount, there, pack, all)
		}
	})
}
