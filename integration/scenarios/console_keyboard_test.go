package scenarios

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// stop is where the keyboard stopped.
type stop struct {
	What    string  `json:"What"`
	Outline float64 `json:"Outline"` // how wide the mark around it is, in px
	Seen    bool    `json:"Seen"`    // in the window, with nothing over it
}

// With the keyboard alone everything that can be used on a page is reached once, in the order of the page, with a mark around it that nothing hides; the way out of the page
// is never shut, and the first stop leads past the navigation.
func TestEverythingIsReachedWithTheKeyboard(t *testing.T) {
	stage, _ := retold(t)
	r := newReader(t, stage)
	r.begins(stage, "planner", "Due list")
	for i, page := range []string{"due", "stations/skerry", "aircraft"} {
		r.b.Do(chromedp.Navigate(stage.URL(fmt.Sprintf("/?k%d#/%s", i, page))))
		r.waitFor(fmt.Sprintf(`document.querySelector("main").dataset.shows === "#/%s" && !document.querySelector("main").inert`, page))
		harness.Value(r.b, chromedp.Evaluate[bool](`(() => {
			document.querySelectorAll("main details").forEach((d) => { d.open = true; });
			window.nameOf = (n) => n.id || n.getAttribute("href") || n.textContent.slice(0, 30);
			window.stops = [];
			document.addEventListener("focusin", ({ target: n }) => {
				const at = n.getBoundingClientRect(), style = getComputedStyle(n), top = document.elementFromPoint(at.left + at.width / 2, at.top + Math.min(at.height / 2, 20));
				window.stops.push({ What: nameOf(n), Outline: style.outlineStyle === "none" ? 0 : parseFloat(style.outlineWidth), Seen: Boolean(top) && (n.contains(top) || top.contains(n)) });
			});
			document.getElementById("skip").focus();
			return true;
		})()`))
		var stops []stop
		for range 400 { // a box for a time has a stop for each of its parts
			r.b.Do(chromedp.KeyEvent("\t"))
			if harness.Value(r.b, chromedp.Evaluate[bool](`document.activeElement === document.body || document.activeElement.id === "skip"`)) {
				break
			}
		}
		wanted := strings.Split(harness.Value(r.b, chromedp.Evaluate[string](`[...document.querySelectorAll("a[href], button, input, select, textarea, summary")]
			.filter((n) => n.checkVisibility() && !n.disabled).map(nameOf).join("\n")`)), "\n")
		if err := json.Unmarshal([]byte(harness.Value(r.b, chromedp.Evaluate[string](`JSON.stringify(window.stops)`))), &stops); err != nil {
			t.Fatal(err)
		}
		var reached []string
		for _, s := range stops {
			if s.Outline < 2 || !s.Seen {
				t.Errorf("%s: at %q the mark is %v px wide, and it is seen: %t", page, s.What, s.Outline, s.Seen)
			}
			if len(reached) == 0 || reached[len(reached)-1] != s.What {
				reached = append(reached, s.What)
			}
		}
		if len(reached) > 0 && reached[len(reached)-1] == "skip" {
			reached = reached[:len(reached)-1] // once round
		}
		if len(wanted) < 10 || strings.Join(reached, "\n") != strings.Join(wanted, "\n") {
			t.Errorf("%s: the keyboard reached\n%q, wanted\n%q", page, reached, wanted)
		}
	}
	r.skips()
}

// skips takes the first stop of a page past the navigation.
func (r *reader) skips() {
	r.t.Helper()
	r.b.Do(chromedp.Focus(chromedp.CSS("#skip")))
	if shown := harness.Value(r.b, chromedp.Evaluate[bool](`document.querySelector("#skip").getBoundingClientRect().left >= 0`)); !shown {
		r.t.Error("the way past the navigation has the keys and is not seen")
	}
	r.b.Do(chromedp.KeyEvent("\r\t"))
	if inside := harness.Value(r.b, chromedp.Evaluate[bool](`document.querySelector("main").contains(document.activeElement)`)); !inside {
		r.t.Error("the way past the navigation does not lead to the page")
	}
}

// In two tabs on one order the one that comes second is told what to do, in words without the names of programs, and finds what it had typed once it shows the order as it is now.
func TestASecondTabIsToldWhatToDo(t *testing.T) {
	stage, _ := retold(t)
	planner := stage.SignIn(t, "planner")
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/ground-run"}))
	name := text(order, "name")
	c := clerk{t, harness.OpenBrowser(t, 320, 700)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "planner", "Due list")
	open(t, c.b, stage, strings.Replace(name, "workOrders/", "order/", 1), "Order ")
	must(t, planner.REST("PATCH", "/v1/"+name+"?updateMask=remarks", map[string]any{"etag": order["etag"], "remarks": "Bring the tray"}))
	harness.Value(c.b, chromedp.Evaluate[bool](`(document.getElementById("void-reason").closest("details").open = true)`))
	c.fills("void-reason", "Drafted twice")
	ends := func() {
		c.waitFor(`(() => { const b = [...document.querySelectorAll("#verbs button")]
			.find((n) => n.textContent === "End it without release" && !n.closest("[inert]")); if (b) b.click(); return Boolean(b); })()`)
	}
	ends()
	c.shows("Nothing was saved: this was changed since the page was read", "what you typed stays")
	c.b.Picture("second-tab")
	if said := c.b.Text("#verbs"); strings.Contains(said, "workOrders/") {
		t.Errorf("it is told with the names of programs: %s", said)
	}
	if wide := harness.Value(c.b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); wide {
		t.Error("the page is wider than the screen")
	}
	c.presses("Show it as it is now")
	c.shows("This is how it stands now.", "Bring the tray")
	if typed := harness.Value(c.b, chromedp.Evaluate[string](`document.getElementById("void-reason").value`)); typed != "Drafted twice" {
		t.Errorf("of what was typed %q is left", typed)
	}
	ends()
	c.shows("The order is ended")
	if now := must(t, planner.REST("GET", "/v1/"+name, nil)); text(now, "state") != "VOIDED" || text(now, "voidReason") != "Drafted twice" {
		t.Errorf("the order is %v", now)
	}
}
