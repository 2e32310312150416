package scenarios

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// signer is somebody of quality at a telephone, a day after the story.
func signer(t *testing.T) (clerk, *harness.Stage) {
	t.Helper()
	stage, out := retold(t)
	if err := stage.SetClock(lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)); err != nil {
		t.Fatal(err)
	}
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "quality", "Status on a date")
	return c, stage
}

// Quality signs a recipe and its next revision at the console: what is signed stands in words while it is typed, what is missing or not approved is refused and what was
// typed stays, and the API has just what was read. Others see it and sign nothing.
func TestQualitySignsARecipeInTheBrowser(t *testing.T) {
	c, stage := signer(t)
	c.goes(stage, "recipes", "Recipes")
	c.shows("No recipe yet")
	c.presses("Sign a recipe")
	c.shows("CAUTION: whoever mixes goes by what you sign", "Not complete yet: Give the name of the recipe.")
	c.presses("Sign the recipe")
	c.atField("recipe-name", "Give the name")
	c.types("recipe-name", "Solution by our manual")
	c.picks("recipe-item", "items/wash-solution")
	c.types("recipe-part-cleaner", "1")
	for id, typed := range map[string]string{"recipe-most": "3", "recipe-keeps": "6", "recipe-document": "Invented manual, demonstration only", "recipe-revision": "4"} {
		c.types(id, typed)
	}
	c.presses("Sign the recipe")
	c.atField("recipe-part-water", "two things at least")
	c.types("recipe-part-wash-solution", "2")
	c.presses("Sign the recipe")
	c.atField("recipe-part-water", "not mixed of itself")
	c.pastes("recipe-part-wash-solution", "")
	c.types("recipe-part-water", "3")
	c.shows("3 parts of Demineralised water (75.0 %), 1 part of Compressor cleaner, concentrate (demonstration) (25.0 %), by volume",
		"Mixing may lose 0 % to 3 %", "keeps 6 h at most")
	c.types("sign-password", story.Password)
	c.b.Picture("recipe-form")
	c.presses("Sign the recipe")
	c.shows("is not an approved ratio of")
	c.types("recipe-part-water", "4")
	c.types("sign-password", story.Password)
	c.presses("Sign the recipe")
	c.waitFor(`document.querySelector("main h2").textContent === "Solution by our manual"`)
	c.shows("Revision 1, signed by Omar Saidi", "4 parts of Demineralised water (80.0 %)", "This is the first revision.")
	quality := stage.SignIn(t, "quality")
	first := must(t, quality.REST("GET", "/v1/recipes/solution-by-our-manual", nil))
	const signed = "[map[item:items/water parts:4] map[item:items/cleaner parts:1]] items/wash-solution 30 6 people/quality"
	if got := fmt.Sprintf("%v %v %v %v %v", first["ingredients"], first["item"], first["lossMaxPermille"], first["potLifeHours"], first["signer"]); got != signed {
		t.Errorf("signed is %s", got)
	}
	c.revisesTheRecipe(quality)
	c.seesWhatMayNotGoIn(stage)
	c.begins(stage, "technician", "Jobs")
	c.goes(stage, "recipes/solution-by-our-manual", "Solution by our manual")
	c.shows("Quality signs the next revision.", "keeps 8 h at most")
	if form := harness.Value(c.b, chromedp.Evaluate[bool](`document.getElementById("recipe-form") !== null`)); form {
		t.Error("a technician is asked to sign a recipe")
	}
}

// revisesTheRecipe signs its next revision; a wrong password signs nothing and keeps what was typed.
func (c clerk) revisesTheRecipe(quality *harness.Person) {
	c.t.Helper()
	c.presses("Sign its next revision")
	c.types("recipe-keeps", "8")
	c.presses("Sign the next revision")
	c.atField("recipe-why", "why it is revised")
	c.types("recipe-why", "The manual's revision 5 says eight hours")
	c.types("recipe-revision", "5")
	c.types("sign-password", "not the passphrase")
	c.presses("Sign the next revision")
	c.shows("The login or the password is wrong.")
	c.types("sign-password", story.Password)
	c.presses("Sign the next revision")
	c.shows("Revision 2 is signed", "Why: The manual's revision 5 says eight hours", "Earlier revisions")
	c.b.Picture("recipe-revised")
	second := must(c.t, quality.REST("GET", "/v1/recipes/solution-by-our-manual", nil))
	before := must(c.t, quality.REST("GET", "/v1/recipes/solution-by-our-manual?revision=1", nil))
	if got := fmt.Sprintf("%v %v %v %v", second["revision"], second["potLifeHours"], second["revisionReason"], before["potLifeHours"]); got != "2 8 The manual's revision 5 says eight hours 6" {
		c.t.Errorf("signed is %s", got)
	}
}

// seesWhatMayNotGoIn opens the next revision after something in it may not be mixed any more: it stands there with its parts, as it would drop out unseen.
func (c clerk) seesWhatMayNotGoIn(stage *harness.Stage) {
	c.t.Helper()
	must(c.t, stage.SignIn(c.t, "stores").REST("PATCH", "/v1/items/cleaner?updateMask=readyToUse", map[string]any{"readyToUse": true}))
	c.goes(stage, "recipes", "Recipes")
	c.goes(stage, "recipes/solution-by-our-manual", "Solution by our manual")
	c.presses("Sign its next revision")
	c.waitFor(`document.getElementById("recipe-part-cleaner") && document.getElementById("recipe-part-cleaner").value === "1"`)
	c.shows("1 part of Compressor cleaner")
}
