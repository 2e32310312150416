package app

import (
	"context"
	"fmt"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// recipeFor is the recipe that a mix was made by at an instant, locked so that no newer one is signed until the mix is booked; an empty one when
// it is mixed by a ratio alone. Reasons: RECIPE_NEEDED, RECIPE_MAKES_ANOTHER_ITEM, RECIPE_SUPERSEDED, RECIPE_REVISION_UNKNOWN, RECIPE_WITHDRAWN,
// RECIPE_POT_LIFE_EXCEEDED, MIX_RATIO_INVALID.
func (u unit) recipeFor(ctx context.Context, req *consumablesv1.BlendLotsRequest, item *consumablesv1.Item, at time.Time) (*consumablesv1.Recipe, error) {
	if req.GetRecipe() == "" {
		if item.GetRecipeRequired() {
			return nil, fault.Invalid("recipe", "RECIPE_NEEDED", "%s is mixed by a signed recipe only. Name one of its recipes.", item.GetName())
		}
		return &consumablesv1.Recipe{}, nil
	}
	recipe, err := store.Recipes.Lock(ctx, u.Tx, req.GetRecipe())
	if err != nil {
		return nil, err
	}
	if recipe.GetItem() != item.GetName() {
		return nil, anotherItem(recipe, item.GetName())
	}
	if recipe, err = u.recipeThen(ctx, recipe, at); err != nil {
		return nil, err
	}
	if err := u.inForce(ctx, recipe, req.GetRecipeRevision()); err != nil {
		return nil, err
	}
	if req.GetRatio() != nil {
		return nil, fault.Invalid("ratio", "MIX_RATIO_INVALID", "The parts are those of %s, and %d to %d beside it could say something else. Leave the ratio out.",
			titleOf(recipe), req.GetRatio().GetWaterParts(), req.GetRatio().GetCleanerParts())
	}
	if hours := req.GetPotLifeHours(); hours > recipe.GetPotLifeHours() {
		return nil, fault.Invalid("pot_life_hours", "RECIPE_POT_LIFE_EXCEEDED", "A mix by %s keeps %d hours at most; %d were asked for. Leave the hours out, or give fewer.",
			titleOf(recipe), recipe.GetPotLifeHours(), hours)
	}
	return recipe, nil
}

// recipeThen is the revision that was the newest at an instant: what was mixed by it and is booked late was mixed rightly. Reason:
// RECIPE_REVISION_UNKNOWN.
func (u unit) recipeThen(ctx context.Context, newest *consumablesv1.Recipe, at time.Time) (*consumablesv1.Recipe, error) {
	then := newest
	for at.Before(then.GetSignTime().AsTime()) {
		if then.GetRevision() <= 1 {
			return nil, fault.New(fault.NotFound, "RECIPE_REVISION_UNKNOWN", "%s was first signed at %s, and this mix is booked for %s. Correct the time, or name the recipe that it was mixed by.",
				newest.GetName(), then.GetSignTime().AsTime().Format(time.RFC3339), at.UTC().Format(time.RFC3339))
		}
		older, err := u.recipeAt(ctx, newest.GetName(), then.GetRevision()-1)
		if err != nil {
			return nil, err
		}
		then = older
	}
	return then, nil
}

// inForce refuses a revision that is not the newest of its time, and a recipe that was withdrawn. Reasons: RECIPE_SUPERSEDED,
// RECIPE_REVISION_UNKNOWN, RECIPE_WITHDRAWN.
func (u unit) inForce(ctx context.Context, newest *consumablesv1.Recipe, revision int32) error {
	if revision != 0 && revision != newest.GetRevision() {
		old, err := u.recipeAt(ctx, newest.GetName(), revision)
		if err != nil {
			return err
		}
		if revision > newest.GetRevision() {
			return fault.New(fault.NotFound, "RECIPE_REVISION_UNKNOWN", "%s was signed at %s, after this mix. Name revision %d, which was in force then, or correct the time.",
				titleOf(old), old.GetSignTime().AsTime().Format(time.RFC3339), newest.GetRevision())
		}
		return fault.Precondition("RECIPE_SUPERSEDED", "Superseded: %s. Revision %d of %s is in force. Mix by that one.",
			titleOf(old), newest.GetRevision(), newest.GetSignTime().AsTime().Format("2006-01-02"))
	}
	if newest.GetWithdrawn() {
		return fault.Precondition("RECIPE_WITHDRAWN", "Withdrawn: %s (%s). Mix by another recipe of %s.", titleOf(newest), reasonOf(newest), newest.GetItem())
	}
	return nil
}

// reasonOf is why the newest revision was signed, as far as it says.
func reasonOf(r *consumablesv1.Recipe) string {
	if r.GetRevisionReason() == "" {
		return "it was signed so"
	}
	return r.GetRevisionReason()
}

// byRecipe holds what was measured against the recipe, and against what is approved for each cleaner in it. Reasons: those of
// stock.Recipe.Check and MIX_RATIO_NOT_APPROVED.
func (m mix) byRecipe(unitCode string) error {
	rule := ruleOf(m.recipe)
	rule.Unit = unitCode
	if err := rule.Check(m.poured, m.out); err != nil {
		return err
	}
	for _, cleaner := range m.cleaners {
		if err := ratioApproved(cleaner, rounded(m.water), rounded(m.cleaner), stock.PartTolerance, unitCode); err != nil {
			return err
		}
	}
	return nil
}

func ruleOf(r *consumablesv1.Recipe) stock.Recipe {
	rule := stock.Recipe{
		Title: titleOf(r), Tolerance: int64(r.GetPartTolerancePermille()), LossMin: int64(r.GetLossMinPermille()), LossMax: int64(r.GetLossMaxPermille()),
	}
	for _, in := range r.GetIngredients() {
		rule.Shares = append(rule.Shares, stock.Share{Item: in.GetItem(), Parts: int64(in.GetParts())})
	}
	return rule
}

// titleOf names a revision of a recipe in a sentence.
func titleOf(r *consumablesv1.Recipe) string {
	return fmt.Sprintf("revision %d of %s", r.GetRevision(), r.GetName())
}

// recipeLine names it on a label, with the document that states it.
func recipeLine(r *consumablesv1.Recipe) string {
	return fmt.Sprintf("%s, revision %d, by %s %s", r.GetDisplayName(), r.GetRevision(), r.GetDocument().GetTitle(), r.GetDocument().GetRevision())
}
