package stock_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

// sixToOne is the mix of case M01 as a recipe: six parts of water to one of cleaner.
func sixToOne() stock.Recipe {
	return stock.Recipe{
		Title: "revision 1 of recipes/wash", Shares: []stock.Share{{Item: "items/water", Parts: 6}, {Item: "items/cleaner", Parts: 1}},
		Tolerance: stock.PartTolerance, LossMax: 30,
	}
}

// The amounts are those of case M01 (half a US gallon at 6:1, rounded to a millilitre) and its neighbours: 270.4286 mL of cleaner are
// its exact share of 1,893 mL, so that 2 % more or less lie at 265.02 and 275.84 mL.
func TestAMixIsHeldAgainstItsRecipe(t *testing.T) {
	for what, c := range map[string]struct {
		water, cleaner, other, out stock.Micro
		reason                     string
	}{
		"as it says":              {1_623_000, 270_000, 0, 1_893_000, ""},
		"least cleaner":           {1_627_980, 265_020, 0, 1_893_000, ""},
		"too little cleaner":      {1_627_981, 265_019, 0, 1_893_000, "RECIPE_NOT_MET"},
		"most cleaner":            {1_617_163, 275_837, 0, 1_893_000, ""},
		"too much cleaner":        {1_617_162, 275_838, 0, 1_893_000, "RECIPE_NOT_MET"},
		"the other way round":     {270_000, 1_623_000, 0, 1_893_000, "RECIPE_NOT_MET"},
		"one in six":              {1_577_500, 315_500, 0, 1_893_000, "RECIPE_NOT_MET"},
		"without cleaner":         {1_623_000, 0, 0, 1_623_000, "RECIPE_INGREDIENT_MISSING"},
		"with something else":     {1_623_000, 270_000, 1, 1_893_000, "RECIPE_INGREDIENT_WRONG"},
		"three in a hundred lost": {1_623_000, 270_000, 0, 1_836_210, ""},
		"a drop more lost":        {1_623_000, 270_000, 0, 1_836_209, "RECIPE_LOSS_OUTSIDE"},
		"more out than in":        {1_623_000, 270_000, 0, 1_893_001, "RECIPE_LOSS_OUTSIDE"},
	} {
		var in []stock.Poured
		for item, amount := range map[string]stock.Micro{"items/water": c.water, "items/cleaner": c.cleaner, "items/alcohol": c.other} {
			if amount > 0 {
				in = append(in, stock.Poured{Item: item, Amount: amount})
			}
		}
		if err := sixToOne().Check(in, c.out); c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%s: got %v, want %q", what, err, c.reason)
		}
	}
}

// A band that begins above nothing finds the mix that lost too little: 2,070 of 30 mol % methanol make 2,000 (a textbook example), so
// that a mix which lost nothing was not measured.
func TestALossBelowTheBand(t *testing.T) {
	r := sixToOne()
	r.LossMin = 10
	in := []stock.Poured{{Item: "items/water", Amount: 6_000_000}, {Item: "items/cleaner", Amount: 1_000_000}}
	if err := r.Check(in, 6_930_000); err != nil {
		t.Error(err)
	}
	if err := r.Check(in, 6_930_001); !fault.HasReason(err, "RECIPE_LOSS_OUTSIDE") {
		t.Errorf("too little lost: %v", err)
	}
}

// Exact shares of any recipe meet it with no tolerance at all, however an ingredient is divided into lots; and one that is poured
// twice meets no recipe of several items.
func TestExactSharesMeetAnyRecipe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := stock.Recipe{Title: "recipes/any", LossMax: 40}
		unit := stock.Micro(rapid.Int64Range(2, 1<<40).Draw(t, "unit"))
		var in []stock.Poured
		var whole stock.Micro
		for i := range rapid.IntRange(2, 8).Draw(t, "items") {
			s := stock.Share{Item: "items/" + string(rune('a'+i)), Parts: rapid.Int64Range(1, 1000).Draw(t, "parts")}
			r.Shares = append(r.Shares, s)
			amount := unit * stock.Micro(s.Parts)
			first := stock.Micro(rapid.Int64Range(1, int64(amount)-1).Draw(t, "first lot"))
			in = append(in, stock.Poured{Item: s.Item, Amount: first}, stock.Poured{Item: s.Item, Amount: amount - first})
			whole += amount
		}
		if err := r.Check(in, whole); err != nil {
			t.Fatal(err)
		}
		in = append(in, in[0], in[1])
		if err := r.Check(in, whole); !fault.HasReason(err, "RECIPE_NOT_MET") {
			t.Fatalf("poured twice: %v", err)
		}
	})
}
