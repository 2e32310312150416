package scenarios

import (
	"strings"
	"testing"

	"coldsection.example/integration/harness"
)

// recalledMix recalls what the mix of the story was made of, cleaner and water, and gives the mix.
func recalledMix(t *testing.T, stores *harness.Person) string {
	t.Helper()
	traced := must(t, stores.REST("GET", "/v1/lots/cleaner-a:trace?direction=FORWARD", nil))
	for _, n := range elements(traced, "nodes") {
		node, _ := n.(map[string]any)
		back := must(t, stores.REST("GET", "/v1/"+text(node, "lot")+":trace?direction=BACKWARD", nil))
		for _, o := range elements(back, "nodes") {
			origin, _ := o.(map[string]any)
			if text(origin, "item") != "items/water" {
				continue
			}
			for _, lot := range []string{"lots/cleaner-a", text(origin, "lot")} {
				must(t, stores.REST("POST", "/v1/"+lot+":recall", `{"reason":"maker's letter, demonstration only"}`))
			}
			return text(node, "lot")
		}
	}
	t.Fatalf("nothing was mixed of the cleaner and water: %v", traced)
	return ""
}

// Quality takes a recall back that was a mistake: from a lot that was made of it the way leads there; what would be let go is shown lot by
// lot, with what stays recalled for another reason; and nothing is usable by it.
func TestARecallIsTakenBackInTheBrowser(t *testing.T) {
	stage, _ := retold(t)
	stores, b := stage.SignIn(t, "stores"), harness.OpenBrowser(t, 390, 844)
	c, mix := clerk{t, b}, recalledMix(t, stores)
	enterAs(b, stage, "stores")
	open(t, b, stage, "lot/cleaner-a", "Lot ")
	if shown := b.Text("main"); !strings.Contains(shown, "Called back: maker's letter") || strings.Contains(shown, "Take the recall back") {
		t.Errorf("stores are shown %s", shown)
	}
	leave(b)
	enterAs(b, stage, "quality")
	open(t, b, stage, strings.Replace(mix, "lots/", "lot/", 1), "Lot ")
	c.shows("What it was made of")
	if shown := b.Text("main"); strings.Contains(shown, "Lots that were made of it") {
		t.Errorf("nothing was made of the mix, and its page says %s", shown)
	}
	c.presses("Take the recall back")
	c.presses("Look at what it lets go")
	c.atField("withdraw-why", "Say why")
	c.types("withdraw-why", "The letter meant another batch")
	c.presses("Look at what it lets go")
	c.shows("Its recall is taken back there")
	const refusal = `document.querySelector("#withdraw-form .press .refusal").textContent`
	c.waitFor(refusal + `.includes("` + code(t, stores, "lots/cleaner-a") + `") && !` + refusal + `.includes("lots/")`)
	open(t, b, stage, "lot/cleaner-a", "Lot ")
	c.presses("Take the recall back")
	c.types("withdraw-why", "The letter meant another batch")
	c.presses("Look at what it lets go")
	c.shows("What becomes of what it blocked", "on hold, until it is cleared by itself", "stays recalled: it is made of ")
	b.Picture("recall-second-look")
	if state := text(must(t, stores.REST("GET", "/v1/lots/cleaner-a", nil)), "state"); state != "RECALLED" {
		t.Errorf("after the look the lot is %s", state)
	}
	c.types("withdraw-why", "The letter of today meant another batch")
	c.waitFor(`document.getElementById("let-go").textContent === ""`)
	c.presses("Look at what it lets go")
	c.waitFor(`(() => { const b = document.querySelector("#let-go button"); if (b) for (const _ of [1, 2]) b.click(); return Boolean(b); })()`)
	c.shows("The recall is taken back", "◐ HELD", "Held: Its recall was taken back: The letter of today meant another batch")
	for lot, want := range map[string]string{"lots/cleaner-a": "HELD", mix: "RECALLED"} {
		if state := text(must(t, stores.REST("GET", "/v1/"+lot, nil)), "state"); state != want {
			t.Errorf("%s is %s, want %s", lot, state, want)
		}
	}
}
