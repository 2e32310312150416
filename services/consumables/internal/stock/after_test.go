package stock_test

import (
	"slices"
	"testing"

	"coldsection.example/services/consumables/internal/stock"
)

func TestAfter(t *testing.T) {
	at := func(location string, amount stock.Micro) stock.Posting {
		return stock.Posting{Lot: "l", Location: location, Amount: amount}
	}
	before := []stock.Posting{at("b", 5), at("d", 2)}
	made := []stock.Posting{at("b", -3), at("c", 3), at("d", -2), at("a", 2), {Lot: "other", Location: "b", Amount: 7}}
	if got, want := stock.After(before, "l", made), []stock.Posting{at("a", 2), at("b", 2), at("c", 3)}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if before[0] != at("b", 5) {
		t.Errorf("what was there before became %v", before)
	}
}
