package scenarios

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// holding keeps back what the page asks of the suite by a pattern of method and path, until let; asked counts it.
func (c clerk) holding(pattern string) {
	c.t.Helper()
	harness.Value(c.b, chromedp.Evaluate[bool](fmt.Sprintf(`(() => {
		const through = window.through ||= window.fetch, held = [];
		window.asked = 0;
		window.let = () => { window.fetch = through; held.forEach((go) => go()); };
		window.fetch = (path, with_) => {
			if (!new RegExp(%q).test(with_.method + " " + path)) return through(path, with_);
			window.asked++;
			return new Promise((answer) => held.push(() => answer(through(path, with_))));
		};
		return true;
	})()`, pattern)))
}

func (c clerk) lets() {
	c.t.Helper()
	harness.Value(c.b, chromedp.Evaluate[bool](`let() === undefined`))
}

// reach is what a finger or a pointer hits where the button of a title is: "" for nothing of the page.
func (c clerk) reach(title string) string {
	c.t.Helper()
	return harness.Value(c.b, chromedp.Evaluate[string](fmt.Sprintf(`(() => {
		const b = [...document.querySelectorAll("main :is(button, summary, a)")].find((b) => b.textContent === %q);
		b.scrollIntoView({ block: "center" });
		const { x, y, width, height } = b.getBoundingClientRect(), hit = document.elementFromPoint(x + width / 2, y + height / 2);
		return hit && hit.closest("main") ? hit.textContent : "";
	})()`, title)))
}

func (c clerk) goesTo(page string) {
	c.t.Helper()
	harness.Value(c.b, chromedp.Evaluate[bool](fmt.Sprintf(`(location.hash = "#/%s") !== ""`, page)))
}

// Until a page is there, nothing of the one before takes a press, and a screen reader is told so; then the keys are at its heading. One that can't be read says so,
// and isn't shut. A change under way is made once, however often it is pressed; and what became of one whose person went on is said where they are, without a key of
// what they typed there being lost.
func TestNothingIsPressedThatMayNotBeSo(t *testing.T) {
	stage, _ := retold(t)
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "planner", "Due list")
	open(t, c.b, stage, "stations/skerry", "Skerry base")
	if hit := c.reach("Save"); hit != "Save" {
		t.Fatalf("the button is covered by %q", hit)
	}
	c.holding("^GET /v1/workOrders")
	c.goesTo("orders")
	c.waitFor(`window.asked > 0 && document.querySelector("main").getAttribute("aria-busy") === "true"`)
	if hit := c.reach("Save"); hit != "" {
		t.Errorf("while another page is read, %q can be pressed", hit)
	}
	c.shows("One moment: the suite is asked.")
	c.b.Picture("busy")
	c.lets()
	c.waitFor(`document.activeElement.textContent === "Orders" && !document.querySelector("main[inert], main[aria-busy]") && !document.getElementById("slow").textContent`)
	c.loses()
	c.savesOnce(stage)
	c.goesOn(stage)
}

// loses has the connection gone while a page is read, and takes it up again.
func (c clerk) loses() {
	c.t.Helper()
	c.holding("^GET /v1/engines")
	c.goesTo("engines")
	c.waitFor(`window.asked > 0`)
	c.b.Network(false)
	c.lets()
	c.shows("No connection", "The suite did not answer.")
	c.waitFor(`!document.querySelector("main[inert], main[aria-busy]") && document.activeElement.textContent === "No connection"`)
	c.b.Network(true)
	c.waitFor(`document.querySelector("main h2").textContent === "Engines" && !document.querySelector("main[inert]")`) // it comes back by itself
}

// savesOnce presses twice and more, by the pointer, by Enter and as a script.
func (c clerk) savesOnce(stage *harness.Stage) {
	c.t.Helper()
	open(c.t, c.b, stage, "stations/skerry", "Skerry base")
	c.types("station-cold", "7,5")
	c.holding("^PATCH ")
	c.presses("Save")
	c.waitFor(`window.asked === 1`)
	harness.Value(c.b, chromedp.Evaluate[bool](`document.querySelector("#station-form").requestSubmit() === undefined`))
	c.b.Do(chromedp.KeyEvent("\r"))
	if asked := harness.Value(c.b, chromedp.Evaluate[int](`window.asked`)); asked != 1 {
		c.t.Errorf("the change was sent %d times", asked)
	}
	c.lets()
	c.shows("✓")
	c.waitFor(`document.getElementById("station-cold").value === "7.5" && !document.querySelector("main[inert]")`)
}

// goesOn leaves a page whose change is under way and is refused: the refusal is said on the page that they went to, where what they typed stays.
func (c clerk) goesOn(stage *harness.Stage) {
	c.t.Helper()
	other := must(c.t, stage.SignIn(c.t, "planner").REST("GET", "/v1/stations/skerry", nil))
	must(c.t, stage.SignIn(c.t, "planner").REST("PATCH", "/v1/stations/skerry?updateMask=displayName", map[string]any{"etag": other["etag"], "displayName": "Skerry field"}))
	c.holding("^PATCH ")
	c.types("station-cold", "8")
	c.presses("Save")
	c.waitFor(`window.asked === 1`)
	c.goesTo("aircraft")
	c.waitFor(`document.querySelector("main").dataset.shows === "#/aircraft" && !document.querySelector("main[inert]")`)
	c.types("aircraft-zone", "Half a name")
	c.lets()
	c.shows("✕ Save: ")
	if typed := harness.Value(c.b, chromedp.Evaluate[string](`document.getElementById("aircraft-zone").value`)); typed != "Half a name" {
		c.t.Errorf("of what was typed on the next page %q is left", typed)
	}
	c.b.Picture("busy-went-on")
}
