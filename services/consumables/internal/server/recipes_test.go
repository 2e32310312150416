package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

// washRecipe is an invented recipe of the parts of case M01.
func washRecipe() *consumablesv1.Recipe {
	return &consumablesv1.Recipe{
		DisplayName: "Wash solution, demonstration only", Item: "items/solution", LossMaxPermille: 30, PotLifeHours: 6,
		Document: &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: "4", Section: "72-00-01"},
		Ingredients: []*consumablesv1.RecipeIngredient{
			{Item: "items/water", Parts: 6}, {Item: "items/cleaner", Parts: 1},
		},
	}
}

func (d desk) signedRecipe(recipe *consumablesv1.Recipe) (*consumablesv1.Recipe, error) {
	return d.CreateRecipe(d.as("quinn", "quality"), &consumablesv1.CreateRecipeRequest{Recipe: recipe, RecipeId: "wash", ReauthenticationToken: d.proof("quinn")})
}

func (d desk) revisedRecipe(name, etag, reason string, recipe *consumablesv1.Recipe) (*consumablesv1.Recipe, error) {
	return d.ReviseRecipe(d.as("quinn", "quality"), &consumablesv1.ReviseRecipeRequest{
		Name: name, Etag: etag, Recipe: recipe, Reason: reason, ReauthenticationToken: d.proof("quinn"),
	})
}

// byRecipe is the batch of case M01 by a recipe.
func byRecipe(recipe string, revision int32) *consumablesv1.BlendLotsRequest {
	req := batch(order)
	req.Ratio, req.Recipe, req.RecipeRevision = nil, recipe, revision
	return req
}

// A mix names the revision that it was made by, for ever, on its label and in its trace; the next revision takes the place of the
// one before from then on.
func TestAMixNamesTheRecipeThatItWasMadeBy(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		first := of(d.signedRecipe(washRecipe())).done(t)
		fact := &consumablesv1.RecipeSigned{}
		if d.published("coldsection.stock.recipe.signed.v1", fact); first.GetRevision() != 1 || first.GetSigner() != "people/quinn" || len(first.GetContentHash()) != 64 ||
			fact.GetContentHash() != first.GetContentHash() || fact.GetItem() != "items/solution" {
			t.Errorf("signed %v, told %v", first, fact)
		}
		d.kitted(order)
		mix := of(d.blend(byRecipe(first.GetName(), 1))).done(t)
		if mix.GetRecipe() != first.GetName() || mix.GetRecipeRevision() != 1 || !mix.GetExpireTime().AsTime().Equal(morning.Add(6*time.Hour)) {
			t.Errorf("mixed %v", mix)
		}
		next := washRecipe()
		next.PotLifeHours, next.Document.Revision = 10, "5"
		second := of(d.revisedRecipe(first.GetName(), first.GetEtag(), "the manual changed", next)).done(t)
		_, err := d.blend(byRecipe(first.GetName(), 1))
		refused(t, "by the one before", err, "RECIPE_SUPERSEDED")
		d.kitted("workOrders/w2")
		req := byRecipe(first.GetName(), 0)
		req.WorkOrder = "workOrders/w2"
		later := of(d.blend(req)).done(t)
		if second.GetRevision() != 2 || second.GetRevisionReason() != "the manual changed" || later.GetRecipeRevision() != 2 ||
			!later.GetExpireTime().AsTime().Equal(morning.Add(8*time.Hour)) { // the cleaner's, which is shorter
			t.Errorf("second %v, mixed %v", second, later)
		}
		lines := strings.Join(d.label(mix.GetName()).GetLines(), "\n")
		if !strings.Contains(lines, "Recipe: Wash solution, demonstration only, revision 1, by INV-MAN 72 4") {
			t.Errorf("the label says\n%s", lines)
		}
		nodes := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: "lots/cln"})).done(t).GetNodes()
		for lot, revision := range map[string]int32{mix.GetName(): 1, later.GetName(): 2, "lots/cln": 0} {
			i := slices.IndexFunc(nodes, func(n *consumablesv1.TraceNode) bool { return n.GetLot() == lot })
			if i < 0 || nodes[i].GetRecipeRevision() != revision || (nodes[i].GetRecipe() == first.GetName()) != (revision > 0) {
				t.Errorf("%s in the trace: %v", lot, nodes)
			}
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `recipe = "recipes/wash"`})).done(t).GetLots(); len(lots) != 2 {
			t.Errorf("mixed by it: %v", lots)
		}
		d.balanced()
	})
}

// Every revision can be read, the newest is listed, and the signatures are a chain.
func TestRevisionsOfARecipeAreKept(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		first := of(d.signedRecipe(washRecipe())).done(t)
		second := of(d.revisedRecipe(first.GetName(), first.GetEtag(), "new cleaner", washRecipe())).done(t)
		kept := of(d.GetRecipe(d.clerk(), &consumablesv1.GetRecipeRequest{Name: first.GetName(), Revision: 1})).done(t)
		if kept.GetName() != first.GetName() || kept.GetContentHash() != first.GetContentHash() || kept.GetSupersedingRevision() != 2 || second.GetContentHash() == first.GetContentHash() {
			t.Errorf("kept %v", kept)
		}
		newest := of(d.GetRecipe(d.clerk(), &consumablesv1.GetRecipeRequest{Name: first.GetName()})).done(t)
		if newest.GetRevision() != 2 || newest.GetSupersedingRevision() != 0 || !newest.GetCreateTime().AsTime().Equal(first.GetCreateTime().AsTime()) {
			t.Errorf("newest %v", newest)
		}
		listed := of(d.ListRecipes(d.clerk(), &consumablesv1.ListRecipesRequest{Filter: `item = "items/solution"`})).done(t).GetRecipes()
		if len(listed) != 1 || listed[0].GetRevision() != 2 {
			t.Errorf("listed %v", listed)
		}
		_, err := d.GetRecipe(d.clerk(), &consumablesv1.GetRecipeRequest{Name: first.GetName(), Revision: 3})
		refused(t, "a revision to come", err, "RECIPE_REVISION_UNKNOWN")
		of(0, d.db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			broken, err := recordchain.Verify(ctx, tx, "recipes")
			var n int
			if scanned := tx.QueryRow(ctx, "SELECT COUNT(*) FROM record_chain WHERE stream = 'recipes'").Scan(&n); err != nil || broken != 0 || scanned != nil || n != 2 {
				t.Errorf("%d entries in the chain, broken at %d (%v, %v)", n, broken, err, scanned)
			}
			return nil
		})).done(t)
	})
}

// What can't be mixed, or is not approved for its cleaner, is no recipe; and nothing is kept of it.
func TestRecipesThatAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		for what, c := range map[string]struct {
			change func(*consumablesv1.Recipe)
			reason string
		}{
			"without a revision":   {func(r *consumablesv1.Recipe) { r.Document.Revision = "" }, "DOCUMENT_REVISION_MISSING"},
			"of a cleaner":         {func(r *consumablesv1.Recipe) { r.Item = "items/cleaner" }, "ITEM_NOT_A_BLEND"},
			"of nothing known":     {func(r *consumablesv1.Recipe) { r.Item = "items/none" }, "NOT_FOUND"},
			"with a seal":          {func(r *consumablesv1.Recipe) { r.Ingredients[0].Item = "items/o-ring" }, "ITEM_NOT_FOR_MIXING"},
			"with what is ready":   {func(r *consumablesv1.Recipe) { r.Ingredients[1].Item = "items/ready" }, "READY_TO_USE_NOT_MIXED"},
			"one to six":           {func(r *consumablesv1.Recipe) { r.Ingredients[0].Parts, r.Ingredients[1].Parts = 1, 6 }, "MIX_RATIO_NOT_APPROVED"},
			"one in six":           {func(r *consumablesv1.Recipe) { r.Ingredients[0].Parts = 5 }, "MIX_RATIO_NOT_APPROVED"},
			"named twice":          {func(r *consumablesv1.Recipe) { r.Ingredients[1].Item = "items/water" }, "RECIPE_INGREDIENT_TWICE"},
			"loss from 3 % to 3 %": {func(r *consumablesv1.Recipe) { r.LossMinPermille = 30 }, "RECIPE_LOSS_REVERSED"},
			"no parts":             {func(r *consumablesv1.Recipe) { r.Ingredients[1].Parts = 0 }, "FIELD_INVALID"},
			"without a document":   {func(r *consumablesv1.Recipe) { r.Document = nil }, "FIELD_INVALID"},
		} {
			recipe := washRecipe()
			c.change(recipe)
			_, err := d.signedRecipe(recipe)
			refused(t, what, err, c.reason)
		}
		_, err := d.CreateRecipe(d.as("quinn", "quality"), &consumablesv1.CreateRecipeRequest{Recipe: washRecipe(), ReauthenticationToken: d.proof("other")})
		refused(t, "another's proof", err, "REAUTHENTICATION_NEEDED")
		_, err = d.CreateRecipe(d.clerk(), &consumablesv1.CreateRecipeRequest{Recipe: washRecipe(), ReauthenticationToken: d.proof("cleo")})
		refused(t, "a clerk", err, "ROLE_MISSING")
		if n := len(of(d.ListRecipes(d.clerk(), &consumablesv1.ListRecipesRequest{})).done(t).GetRecipes()); n != 0 {
			t.Errorf("%d recipes", n)
		}
		first := of(d.signedRecipe(washRecipe())).done(t)
		_, err = d.revisedRecipe(first.GetName(), "v9", "late", washRecipe())
		refused(t, "read too early", err, "ETAG_MISMATCH")
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{
			ItemId: "rinse", Item: &consumablesv1.Item{DisplayName: "Rinse", Kind: consumablesv1.Item_BLEND, BaseUnitCode: "L"},
		})).done(t)
		other := washRecipe()
		other.Item = "items/rinse"
		_, err = d.revisedRecipe(first.GetName(), first.GetEtag(), "another item", other)
		refused(t, "of another item", err, "RECIPE_MAKES_ANOTHER_ITEM")
	})
}

// A mix outside of its recipe is refused and nothing of it is booked.
func TestMixesOutsideOfTheirRecipe(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.stocked("keeping", "kpg", "5", days(200))
		d.kitted(order)
		d.issued("keeping", "lots/kpg", order, "0.27")
		recipe := of(d.signedRecipe(washRecipe())).done(t)
		for what, c := range map[string]struct {
			reason string
			change func(*consumablesv1.BlendLotsRequest)
		}{
			"too strong": {"RECIPE_NOT_MET", func(r *consumablesv1.BlendLotsRequest) {
				r.Parts[1].Quantity, r.Output = litres("1.5"), litres("1.77")
			}},
			"another cleaner":     {"RECIPE_INGREDIENT_WRONG", func(r *consumablesv1.BlendLotsRequest) { r.Parts[0].Lot = "lots/kpg" }},
			"a loss of 3.5 %":     {"RECIPE_LOSS_OUTSIDE", func(r *consumablesv1.BlendLotsRequest) { r.Output = litres("1.8267") }},
			"a loss of 5 %":       {"MIXING_LOSS_IMPLAUSIBLE", func(r *consumablesv1.BlendLotsRequest) { r.Output = litres("1.798") }},
			"with a ratio beside": {"MIX_RATIO_INVALID", func(r *consumablesv1.BlendLotsRequest) { r.Ratio = batch(order).GetRatio() }},
			"for longer":          {"RECIPE_POT_LIFE_EXCEEDED", func(r *consumablesv1.BlendLotsRequest) { r.PotLifeHours = 7 }},
			"a revision to come":  {"RECIPE_REVISION_UNKNOWN", func(r *consumablesv1.BlendLotsRequest) { r.RecipeRevision = 2 }},
			"by nothing known":    {"NOT_FOUND", func(r *consumablesv1.BlendLotsRequest) { r.Recipe = "recipes/none" }},
			"more than was issued": {"INSUFFICIENT_STOCK", func(r *consumablesv1.BlendLotsRequest) {
				r.Parts[0].Quantity, r.Parts[1].Quantity, r.Output = litres("0.54"), litres("3.24"), litres("3.78")
			}},
		} {
			req, _ := proto.Clone(byRecipe(recipe.GetName(), 1)).(*consumablesv1.BlendLotsRequest)
			c.change(req)
			_, err := d.blend(req)
			refused(t, what, err, c.reason)
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `item = "items/solution"`})).done(t).GetLots(); len(lots) != 0 {
			t.Errorf("mixed: %v", lots)
		}
		d.recipeGoes(recipe)
	})
}

// recipeGoes checks that a recipe can be required of an item, and withdrawn.
func (d desk) recipeGoes(recipe *consumablesv1.Recipe) {
	d.t.Helper()
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/solution"})).done(d.t)
	item.RecipeRequired = true
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(d.t)
	_, err := d.blend(batch(order))
	refused(d.t, "by a ratio alone", err, "RECIPE_NEEDED")
	cleaner := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)
	cleaner.ReadyToUse = true
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: cleaner})).done(d.t)
	gone := washRecipe()
	gone.Withdrawn = true
	last := of(d.revisedRecipe(recipe.GetName(), recipe.GetEtag(), "the cleaner is no longer mixed", gone)).done(d.t)
	_, err = d.blend(byRecipe(recipe.GetName(), 0))
	refused(d.t, "withdrawn", err, "RECIPE_WITHDRAWN")
	_, err = d.revisedRecipe(recipe.GetName(), last.GetEtag(), "withdrawn by mistake", washRecipe())
	refused(d.t, "brought back", err, "READY_TO_USE_NOT_MIXED")
}

// A mix may go into a mix by recipe: water and antifreeze are mixed in advance, and the whole is still held against what is approved
// for the cleaner.
func TestARecipeOfAMix(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{
			ItemId: "strong", Item: &consumablesv1.Item{DisplayName: "Strong", Kind: consumablesv1.Item_BLEND, BaseUnitCode: "L"},
		})).done(t)
		recipe := washRecipe()
		recipe.Item, recipe.Ingredients = "items/strong", []*consumablesv1.RecipeIngredient{{Item: "items/solution", Parts: 7}, {Item: "items/cleaner", Parts: 1}}
		of(d.signedRecipe(recipe)).done(t)
		d.issued("cleaner", "lots/cln", order, "1.27")
		d.issued("water", "lots/wtr", order, "3")
		mix := of(d.blend(batch(order))).done(t)
		_, err := d.blend(&consumablesv1.BlendLotsRequest{
			Item: "items/strong", WorkOrder: order, Recipe: "recipes/wash", Output: litres("0.8"),
			Parts: []*consumablesv1.BlendPart{{Lot: mix.GetName(), Quantity: litres("0.7")}, {Lot: "lots/cln", Quantity: litres("0.1")}},
		})
		refused(t, "six to two", err, "MIX_RATIO_NOT_APPROVED")
		if !strings.Contains(err.Error(), "0.600158 L of water or antifreeze to 0.199842 L of cleaner") { // 0.7 L at 1.623 to 0.27, and 0.1 L
			t.Errorf("it says %v", err)
		}
	})
}
