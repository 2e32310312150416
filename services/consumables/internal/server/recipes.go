package server

import (
	"context"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
)

// recipeCommands serves what signs recipes.
type recipeCommands struct {
	consumablesv1.UnimplementedRecipeServiceServer

	app *app.App
}

func recipePolicy() auth.Policy {
	return auth.Policy{}.For("coldsection.consumables.v1.RecipeService", []string{"quality"}, "CreateRecipe", "ReviseRecipe")
}

func (s *recipeCommands) CreateRecipe(ctx context.Context, req *consumablesv1.CreateRecipeRequest) (*consumablesv1.Recipe, error) {
	return s.app.CreateRecipe(ctx, req)
}

func (s *recipeCommands) ReviseRecipe(ctx context.Context, req *consumablesv1.ReviseRecipeRequest) (*consumablesv1.Recipe, error) {
	return s.app.ReviseRecipe(ctx, req)
}

// recipeQueries reads them, for every signed-in caller.
type recipeQueries struct {
	consumablesv1.UnimplementedRecipeQueryServiceServer

	app *app.App
}

func recipeQueryPolicy() auth.Policy {
	return auth.Policy{}.For("coldsection.consumables.v1.RecipeQueryService", []string{auth.SignedIn}, "GetRecipe", "ListRecipes")
}

func (q *recipeQueries) GetRecipe(ctx context.Context, req *consumablesv1.GetRecipeRequest) (*consumablesv1.Recipe, error) {
	return q.app.GetRecipe(ctx, req)
}

func (q *recipeQueries) ListRecipes(ctx context.Context, req *consumablesv1.ListRecipesRequest) (*consumablesv1.ListRecipesResponse, error) {
	recipes, next, err := store.Recipes.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &consumablesv1.ListRecipesResponse{Recipes: recipes, NextPageToken: next}, err
}
