package stock

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"coldsection.example/services/platform/fault"
)

// PartTolerance is by how many thousandths of its share a measured part may miss it where the recipe says nothing: the same 2 %
// that CheckRatio allows, a reading of a measuring jug; common practice, no source.
const PartTolerance = 20

// Recipe is what a revision of a signed recipe asks of a mix.
type Recipe struct {
	Title            string // the recipe and its revision, for sentences
	Shares           []Share
	Tolerance        int64 // thousandths of a share
	LossMin, LossMax int64 // thousandths of what goes in
	Unit             string
}

// Share is how many parts of an item a recipe asks for.
type Share struct {
	Item  string
	Parts int64
}

// Poured is how much of an item was measured in.
type Poured struct {
	Item   string
	Amount Micro
}

// Check refuses a mix that is not by the recipe: another item, one that is missing, parts that miss their shares, a loss outside
// of the band. Reasons: RECIPE_INGREDIENT_WRONG, RECIPE_INGREDIENT_MISSING, RECIPE_NOT_MET, RECIPE_LOSS_OUTSIDE.
func (r Recipe) Check(in []Poured, out Micro) error {
	sums, whole := map[string]*big.Int{}, new(big.Int)
	for _, p := range in {
		if !slices.ContainsFunc(r.Shares, func(s Share) bool { return s.Item == p.Item }) {
			return fault.Precondition("RECIPE_INGREDIENT_WRONG", "%s is not an ingredient of %s. Leave it out, or mix by the recipe that has it.", p.Item, r.Title)
		}
		if sums[p.Item] == nil {
			sums[p.Item] = new(big.Int)
		}
		sums[p.Item].Add(sums[p.Item], big.NewInt(int64(p.Amount)))
		whole.Add(whole, big.NewInt(int64(p.Amount)))
	}
	for _, s := range r.Shares {
		if sums[s.Item] == nil {
			return fault.Precondition("RECIPE_INGREDIENT_MISSING", "%d parts of %s belong into a mix by %s and none went in. Measure it in.", s.Parts, s.Item, r.Title)
		}
	}
	for _, s := range r.Shares {
		if !r.near(sums[s.Item], whole, s.Parts) {
			return fault.Precondition("RECIPE_NOT_MET", "%s %s of %s in %s %s is not its share of %s (%s, within %d in 1000). Measure again.",
				text(sums[s.Item]), r.Unit, s.Item, text(whole), r.Unit, r.Title, r.words(), r.Tolerance)
		}
	}
	return r.checkLoss(whole, out)
}

// near compares amount/whole with parts/all parts: both sides times 1000 * whole * all parts.
func (r Recipe) near(amount, whole *big.Int, parts int64) bool {
	want := new(big.Int).Mul(whole, big.NewInt(parts))
	off := new(big.Int).Mul(amount, big.NewInt(r.parts()))
	off.Sub(off, want).Abs(off).Mul(off, big.NewInt(1000))
	return off.Cmp(want.Mul(want, big.NewInt(r.Tolerance))) <= 0
}

func (r Recipe) parts() int64 {
	var all int64
	for _, s := range r.Shares {
		all += s.Parts
	}
	return all
}

func (r Recipe) checkLoss(in *big.Int, out Micro) error {
	loss := new(big.Int).Sub(in, big.NewInt(int64(out)))
	loss.Mul(loss, big.NewInt(1000))
	if loss.Cmp(new(big.Int).Mul(in, big.NewInt(r.LossMin))) < 0 || loss.Cmp(new(big.Int).Mul(in, big.NewInt(r.LossMax))) > 0 {
		return fault.Precondition("RECIPE_LOSS_OUTSIDE", "%s %s went in and %s %s came out; mixing by %s loses %d to %d in 1000. Measure again.",
			text(in), r.Unit, out.Text(), r.Unit, r.Title, r.LossMin, r.LossMax)
	}
	return nil
}

// words are the shares in words, such as "parts: 6 of items/water, 1 of items/cleaner".
func (r Recipe) words() string {
	all := make([]string, len(r.Shares))
	for i, s := range r.Shares {
		all[i] = fmt.Sprintf("%d of %s", s.Parts, s.Item)
	}
	return "parts: " + strings.Join(all, ", ")
}

// text is an amount as Micro writes it; more than that can hold is written as a number of ledger units.
func text(n *big.Int) string {
	if n.IsInt64() {
		return Micro(n.Int64()).Text()
	}
	return n.String() + " millionths"
}

// NearRatio reports whether water and cleaner are so many parts each, within so many thousandths of the cleaner.
func NearRatio(water, cleaner Micro, waterParts, cleanerParts, permille int64) bool {
	want := new(big.Int).Mul(big.NewInt(int64(water)), big.NewInt(cleanerParts))
	off := new(big.Int).Mul(big.NewInt(int64(cleaner)), big.NewInt(waterParts))
	off.Sub(off, want).Abs(off).Mul(off, big.NewInt(1000))
	return off.Cmp(want.Mul(want, big.NewInt(permille))) <= 0
}
