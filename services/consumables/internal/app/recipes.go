package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateRecipe signs a recipe.
func (a *App) CreateRecipe(ctx context.Context, req *consumablesv1.CreateRecipeRequest) (*consumablesv1.Recipe, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Recipe, error) {
		u, recipe := a.unit(ctx, tx), req.GetRecipe()
		resource.ClearOutputOnly(recipe)
		recipe.Name = a.newName("recipes", req.GetRecipeId())
		if err := u.signRecipe(ctx, recipe, proof, proofErr); err != nil {
			return nil, err
		}
		if err := store.Recipes.Insert(ctx, tx, recipe, u.now); err != nil {
			return nil, err
		}
		return recipe, u.keepRecipe(ctx, recipe)
	})
}

// ReviseRecipe signs a new revision of a recipe.
func (a *App) ReviseRecipe(ctx context.Context, req *consumablesv1.ReviseRecipeRequest) (*consumablesv1.Recipe, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Recipe, error) {
		u, recipe := a.unit(ctx, tx), req.GetRecipe()
		old, err := store.Recipes.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
			return nil, err
		}
		if recipe.GetItem() != old.GetItem() {
			return nil, anotherItem(old, recipe.GetItem())
		}
		resource.ClearOutputOnly(recipe)
		recipe.Name, recipe.Etag, recipe.CreateTime = old.GetName(), old.GetEtag(), old.GetCreateTime()
		recipe.Revision, recipe.RevisionReason = old.GetRevision(), req.GetReason()
		if err := u.signRecipe(ctx, recipe, proof, proofErr); err != nil {
			return nil, err
		}
		if err := store.Recipes.Save(ctx, tx, recipe, u.now); err != nil {
			return nil, err
		}
		return recipe, u.keepRecipe(ctx, recipe)
	})
}

func anotherItem(recipe *consumablesv1.Recipe, item string) error {
	return fault.Precondition("RECIPE_MAKES_ANOTHER_ITEM", "%s makes %s and not %s. Name the recipe of that item, or sign one.", recipe.GetName(), recipe.GetItem(), item)
}

// signRecipe checks a recipe and makes it the next revision, signed by the caller in the chain of records. Reasons:
// DOCUMENT_REVISION_MISSING, REAUTHENTICATION_NEEDED, and those of checkRecipe.
func (u unit) signRecipe(ctx context.Context, recipe *consumablesv1.Recipe, proof auth.Reauth, proofErr error) error {
	if strings.TrimSpace(recipe.GetDocument().GetTitle()) == "" || strings.TrimSpace(recipe.GetDocument().GetRevision()) == "" {
		return fault.Invalid("recipe.document.revision", "DOCUMENT_REVISION_MISSING", "A recipe names the document that states it and its revision. Add both.")
	}
	if err := u.checkRecipe(ctx, recipe); err != nil {
		return err
	}
	if recipe.GetPartTolerancePermille() == 0 {
		recipe.PartTolerancePermille = stock.PartTolerance
	}
	recipe.Revision++
	recipe.Signer, recipe.SignTime = who(u.caller), timestamppb.New(u.now)
	fields := recipeFields(recipe)
	recipe.ContentHash = recordchain.Hash(fields)
	return u.chain(ctx, "recipes", recipe.GetName(), fields, proof, proofErr)
}

// checkRecipe refuses what could not be mixed. Reasons: ITEM_NOT_A_BLEND, ITEM_NOT_FOR_MIXING, READY_TO_USE_NOT_MIXED,
// MIX_RATIO_NOT_APPROVED, RECIPE_INGREDIENT_TWICE, RECIPE_LOSS_REVERSED, UNIT_MISMATCH.
func (u unit) checkRecipe(ctx context.Context, recipe *consumablesv1.Recipe) error {
	blend, err := store.Items.Get(ctx, u.Tx, recipe.GetItem())
	if err != nil {
		return err
	}
	if blend.GetKind() != consumablesv1.Item_BLEND {
		return notABlend("recipe.item", blend)
	}
	if least, most := recipe.GetLossMinPermille(), recipe.GetLossMaxPermille(); least >= most {
		return fault.Invalid("recipe.loss_max_permille", "RECIPE_LOSS_REVERSED", "Mixing can't lose from %d up to %d in 1000. Give the lower limit first, and some room between.", least, most)
	}
	if recipe.GetWithdrawn() { // what may not be mixed any more is a reason to withdraw it; whoever brings it back has it checked
		return nil
	}
	return u.checkIngredients(ctx, recipe, blend)
}

// checkIngredients refuses what can't go into a mix, and parts that are not approved for a cleaner. What a mix in it has of each is
// only known of its lots, so that then each mix is held against it when it is made.
func (u unit) checkIngredients(ctx context.Context, recipe *consumablesv1.Recipe, blend *consumablesv1.Item) error {
	var cleaners []*consumablesv1.Item
	seen, sums := map[string]bool{}, map[consumablesv1.Item_Kind]int32{}
	for _, in := range recipe.GetIngredients() {
		if seen[in.GetItem()] {
			return fault.Invalid("recipe.ingredients", "RECIPE_INGREDIENT_TWICE", "%s is named twice. Name it once, with all of its parts.", in.GetItem())
		}
		seen[in.GetItem()] = true
		item, err := store.Items.Get(ctx, u.Tx, in.GetItem())
		if err != nil {
			return err
		}
		if err := mixable(item, blend); err != nil {
			return err
		}
		if sums[item.GetKind()] += in.GetParts(); item.GetKind() == consumablesv1.Item_CLEANER {
			cleaners = append(cleaners, item)
		}
	}
	if sums[consumablesv1.Item_BLEND] > 0 {
		return nil
	}
	liquid := sums[consumablesv1.Item_WATER] + sums[consumablesv1.Item_ANTIFREEZE]
	for _, item := range cleaners {
		if err := ratioApproved(item, stock.Micro(liquid), stock.Micro(sums[consumablesv1.Item_CLEANER]), 0, ""); err != nil {
			return err
		}
	}
	return nil
}

// mixable refuses an ingredient that can't go into a mix. Reasons: ITEM_NOT_FOR_MIXING, READY_TO_USE_NOT_MIXED, UNIT_MISMATCH.
func mixable(item, blend *consumablesv1.Item) error {
	switch item.GetKind() {
	case consumablesv1.Item_CLEANER, consumablesv1.Item_WATER, consumablesv1.Item_ANTIFREEZE, consumablesv1.Item_BLEND:
	default:
		return notForMixing(item)
	}
	if err := notReady(item); err != nil {
		return err
	}
	if item.GetBaseUnitCode() != blend.GetBaseUnitCode() { // each of the three that the ledger counts in is a dimension of its own
		return fault.Precondition("UNIT_MISMATCH", "%s is counted in %s and the mix in %s, and parts are of one kind. Name items that are counted alike.",
			item.GetName(), item.GetBaseUnitCode(), blend.GetBaseUnitCode())
	}
	return nil
}

// ratioApproved refuses water and cleaner that are no approved ratio of the cleaner, within so many thousandths of the cleaner. Reason:
// MIX_RATIO_NOT_APPROVED.
func ratioApproved(item *consumablesv1.Item, liquid, cleaner stock.Micro, permille int64, unitCode string) error {
	for _, r := range item.GetApprovedMixRatios() {
		if stock.NearRatio(liquid, cleaner, int64(r.GetWaterParts()), int64(r.GetCleanerParts()), permille) {
			return nil
		}
	}
	return fault.Precondition("MIX_RATIO_NOT_APPROVED", "%s of water or antifreeze to %s of cleaner is not an approved ratio of %s. Use an approved one, or have it approved on the item.",
		inWords(liquid, permille, unitCode), inWords(cleaner, permille, unitCode), item.GetDisplayName())
}

// inWords is whole parts of a recipe, or what was measured.
func inWords(n stock.Micro, permille int64, unitCode string) string {
	if permille == 0 {
		return fmt.Sprintf("%d parts", n)
	}
	return n.Text() + " " + unitCode
}

// recipeFields are all that a signature stands for, in a fixed order.
func recipeFields(r *consumablesv1.Recipe) []recordchain.Field {
	fields := []recordchain.Field{
		{Name: "recipe", Value: r.GetName()}, {Name: "revision", Value: fmt.Sprint(r.GetRevision())}, {Name: "title", Value: r.GetDisplayName()},
		{Name: "item", Value: r.GetItem()}, {Name: "document", Value: r.GetDocument().GetTitle()},
		{Name: "document_revision", Value: r.GetDocument().GetRevision()}, {Name: "section", Value: r.GetDocument().GetSection()},
		{Name: "part_tolerance_permille", Value: fmt.Sprint(r.GetPartTolerancePermille())},
		{Name: "loss_permille", Value: fmt.Sprintf("%d to %d", r.GetLossMinPermille(), r.GetLossMaxPermille())},
		{Name: "pot_life_hours", Value: fmt.Sprint(r.GetPotLifeHours())}, {Name: "withdrawn", Value: fmt.Sprint(r.GetWithdrawn())},
		{Name: "reason", Value: r.GetRevisionReason()}, {Name: "signer", Value: r.GetSigner()},
	}
	for _, in := range r.GetIngredients() {
		fields = append(fields, recordchain.Field{Name: "ingredient", Value: fmt.Sprintf("%d parts of %s", in.GetParts(), in.GetItem())})
	}
	return fields
}

// keepRecipe keeps a revision beside the newest, and tells of it.
func (u unit) keepRecipe(ctx context.Context, recipe *consumablesv1.Recipe) error {
	kept, _ := proto.Clone(recipe).(*consumablesv1.Recipe)
	kept.Name = revisionName(recipe.GetName(), recipe.GetRevision())
	if err := store.RecipeRevisions.Insert(ctx, u.Tx, kept, u.now); err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.stock.recipe.signed.v1", recipe.GetName(), &consumablesv1.RecipeSigned{
		Recipe: recipe.GetName(), Item: recipe.GetItem(), Revision: recipe.GetRevision(), Withdrawn: recipe.GetWithdrawn(),
		Signer: recipe.GetSigner(), ContentHash: recipe.GetContentHash(),
	})
}

// GetRecipe reads a recipe, or one revision of it.
func (a *App) GetRecipe(ctx context.Context, req *consumablesv1.GetRecipeRequest) (*consumablesv1.Recipe, error) {
	var recipe *consumablesv1.Recipe
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		recipe, err = a.unit(ctx, tx).recipeAt(ctx, req.GetName(), req.GetRevision())
		return err
	})
	return recipe, err
}

// recipeAt reads a revision of a recipe, the newest when none is named. Reasons: NOT_FOUND, RECIPE_REVISION_UNKNOWN.
func (u unit) recipeAt(ctx context.Context, name string, revision int32) (*consumablesv1.Recipe, error) {
	newest, err := store.Recipes.Get(ctx, u.Tx, name)
	if err != nil || revision == 0 || revision == newest.GetRevision() {
		return newest, err
	}
	kept, err := store.RecipeRevisions.Where(ctx, u.Tx, "name = $1", revisionName(name, revision))
	if err != nil {
		return nil, err
	}
	if len(kept) == 0 {
		return nil, fault.New(fault.NotFound, "RECIPE_REVISION_UNKNOWN", "%s has no revision %d; the newest is %d. Leave the revision out for that.", name, revision, newest.GetRevision())
	}
	kept[0].Name, kept[0].SupersedingRevision = name, revision+1
	return kept[0], nil
}
