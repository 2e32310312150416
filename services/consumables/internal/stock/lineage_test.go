package stock_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/stock"
)

func TestReachGoesBothWaysAndPastACircle(t *testing.T) {
	edges := []stock.Edge{{Target: "b", Origin: "a"}, {Target: "c", Origin: "b"}, {Target: "c", Origin: "a"}, {Target: "a", Origin: "c"}, {Target: "x", Origin: "y"}}
	order, depth := stock.Reach("a", edges, true)
	if !slices.Equal(order, []string{"a", "b", "c"}) || depth["c"] != 1 {
		t.Errorf("forwards %v %v", order, depth)
	}
	if order, _ := stock.Reach("c", edges, false); !slices.Equal(order, []string{"c", "b", "a"}) {
		t.Errorf("backwards %v", order)
	}
}

// A third of one unit can't be told apart: the shares still add up to what went in.
func TestSharesAddUp(t *testing.T) {
	edges := []stock.Edge{{Target: "m", Origin: "a", Amount: 1}, {Target: "m", Origin: "w", Amount: 2}}
	places := []stock.Posting{{Lot: "m", Location: "x", Amount: 1}, {Lot: "m", Location: "y", Amount: 1}, {Lot: "m", Location: "z", Amount: 1}, {Lot: "w", Location: "x", Amount: 7}}
	shares, err := stock.Shares("a", edges, places)
	if err != nil || shares[0]+shares[1]+shares[2] != 1 || shares[3] != 0 {
		t.Errorf("%v (%v)", shares, err)
	}
	if _, err := stock.Shares("a", []stock.Edge{{Target: "m", Origin: "n", Amount: 1}, {Target: "n", Origin: "m", Amount: 1}}, nil); err == nil {
		t.Error("a circle has no shares")
	}
}

// For any chain of mixes, wherever each mix went, the shares of the first lot add up to all that was received of it, and none
// is more than what is there.
func TestSharesOfAnyChainAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		received := stock.Micro(rapid.Int64Range(1, 1_000_000_000).Draw(t, "received"))
		edges, places, left, lot := []stock.Edge{}, []stock.Posting{}, received, "l0"
		for i := range rapid.IntRange(0, 6).Draw(t, "depth") {
			there := stock.Micro(rapid.Int64Range(0, int64(left)).Draw(t, "left behind"))
			places = append(places, stock.Posting{Lot: lot, Location: "used", Amount: there})
			next, water := fmt.Sprintf("l%d", i+1), stock.Micro(rapid.Int64Range(1, 1_000_000).Draw(t, "water"))
			edges = append(edges, stock.Edge{Target: next, Origin: lot, Amount: left - there}, stock.Edge{Target: next, Origin: "w", Amount: water})
			left, lot = left-there+water, next
		}
		places = append(places, stock.Posting{Lot: lot, Location: "shelf", Amount: left})
		shares, err := stock.Shares("l0", edges, places)
		if err != nil {
			t.Fatal(err)
		}
		var sum stock.Micro
		for i, s := range shares {
			if sum += s; s < 0 || s > places[i].Amount {
				t.Errorf("%d of %v", s, places[i])
			}
		}
		if sum != received {
			t.Errorf("%d of %d", sum, received)
		}
	})
}
