package scenarios

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// reader looks at pages as whoever can't see them, has no pointer or needs them larger depends on.
type reader struct {
	clerk

	stage *harness.Stage
	rules string
	shown map[string]bool // the pages that were looked at, by their names
}

func newReader(t *testing.T, stage *harness.Stage) *reader {
	t.Helper()
	rules, err := os.ReadFile("testdata/access.js")
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{clerk: clerk{t, harness.OpenBrowser(t, 1280, 900)}, stage: stage, rules: string(rules), shown: map[string]bool{}}
	r.b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")))
	return r
}

// faults are what the rules find on the page as it is shown.
func (r *reader) faults() []string {
	r.t.Helper()
	from := strings.Index(r.rules, "() =>")
	return harness.Value(r.b, chromedp.Evaluate[[]string]("("+strings.TrimSpace(r.rules[from:])+")()"))
}

// goesToPage goes to a page and waits until it stands there.
func (r *reader) goesToPage(page string) {
	r.t.Helper()
	r.b.Do(chromedp.Navigate(r.stage.URL("/#/" + page)))
	r.waitFor(fmt.Sprintf(`(() => {
		const shown = document.querySelector("main"), asked = new URL(%q).hash;
		return Boolean(shown.querySelector("h2")) && shown.dataset.shows === asked && !shown.inert;
	})()`, r.stage.URL("/#/"+page)))
}

// looks holds a page against the rules with everything open on it: on a desk, enlarged to twice the size, which leaves 640 px of 1280, and on the narrowest telephone.
func (r *reader) looks(login, page string) {
	r.t.Helper()
	r.shown[strings.FieldsFunc(page, func(c rune) bool { return c == '/' || c == '?' })[0]] = true
	r.goesToPage(page)
	harness.Value(r.b, chromedp.Evaluate[bool](`(document.querySelectorAll("main details").forEach((d) => { d.open = true; }), true)`))
	for _, width := range []int64{1280, 640, 320} {
		r.b.Do(chromedp.EmulateViewport(width, 700))
		for _, fault := range r.faults() {
			r.t.Errorf("%s as %s, %d px wide: %s", page, login, width, fault)
		}
	}
	r.b.Do(chromedp.EmulateViewport(1280, 900))
}

// Every page of the console, with all its forms open, can be read and used without seeing it, without a pointer and at twice its size, by the rules of testdata/access.js;
// and none that the navigation of any role leads to is left out.
func TestEveryPageIsAccessible(t *testing.T) {
	stage, out := retold(t)
	w := &bench{t: t, stage: stage, now: lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)}
	if err := stage.SetClock(w.now); err != nil {
		t.Fatal(err)
	}
	order := planned(t, w)
	technician, planner := stage.SignIn(t, "technician"), stage.SignIn(t, "planner")
	kitted := must(t, technician.REST("GET", "/v1/"+order, nil))
	must(t, technician.REST("POST", "/v1/"+order+":start", map[string]any{"etag": kitted["etag"], "serialRead": "DEMO-4711"}))
	if err := stage.SetClock(w.now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	must(t, technician.REST("POST", "/v1/"+order+"/motoringRuns", map[string]any{"startTime": w.now.Add(time.Minute), "endTime": w.now.Add(time.Minute + 5*time.Second)}))
	must(t, technician.REST("POST", "/v1/"+order+"/labourEntries", map[string]any{"startTime": w.now.Add(time.Minute), "endTime": w.now.Add(20 * time.Minute)}))
	drafted := text(must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/salt-rinse"})), "name")
	first := func(path, field string) string {
		found, _ := elements(must(t, stage.SignIn(t, "quality").REST("GET", path, nil)), field)[0].(map[string]any)
		return text(found, "name")
	}
	last := func(name string) string { return name[strings.LastIndex(name, "/")+1:] }
	signsARecipe(t, stage)
	addsADisc(t, stage)
	reading := first("/v1/engines/-/readings?pageSize=1", "readings")

	r := newReader(t, stage)
	for _, fault := range r.faults() {
		t.Errorf("the sign-in: %s", fault)
	}
	leads := map[string]bool{}
	for _, visit := range []struct {
		login, begins string
		pages         []string
	}{
		{"planner", "Due list", []string{"due", "orders", "order/" + last(drafted), "directives", "lives", "parts", "parts/disc", "done", "engines", "engine/demo-4711",
			"aircraft", "aircraft/" + last(first("/v1/aircraft", "aircraft")),
			"stations", "stations/skerry", "requirements", "requirements/wash", "cards", "cards/recovery-wash", "setup"}},
		{"technician", "Jobs", []string{"jobs", "work/" + last(order), "work/" + last(order) + "/s02", "work/" + last(out.WorkOrder), "mix/" + last(order),
			"import", "account", "waiting", "nowhere"}},
		{"stores", "Issue desk", []string{"issue", "receive", "shelf", "items", "item/cleaner", "lot/" + last(first("/v1/lots", "lots")), "places"}},
		{"quality", "Status on a date", []string{"status", "status?subject=engines%2Fdemo-4711", "findings", "entries", "packs", "people", "people/technician",
			"evidence?requirement=requirements%2Fwash&subject=engines%2Fdemo-4711", "exceedances", "order/" + last(out.WorkOrder),
			"recipes", "recipes/solution", "engine/demo-4711", "aircraft/demo-101", "parts/disc"}},
		{"analyst", "Engines", []string{"held", "models", "models/demo-turboprop", "reading/demo-4711/" + last(reading)}},
		{"admin", "Accounts", []string{"accounts", "accounts/technician", "calls", "parked"}},
	} {
		r.begins(stage, visit.login, visit.begins)
		for way := range strings.SplitSeq(harness.Value(r.b, chromedp.Evaluate[string](`[...document.querySelectorAll("#nav a")].map((a) => a.hash.slice(2)).join()`)), ",") {
			leads[way] = true
		}
		for _, page := range visit.pages {
			r.looks(visit.login, page)
		}
	}
	for way := range leads {
		if !r.shown[way] {
			t.Errorf("the page %s was not looked at", way)
		}
	}
	if len(leads) < 20 {
		t.Errorf("the navigation leads to %d pages only", len(leads))
	}
}

// seeds are mistakes, each of which its rule must find on a page that has none. The console's policy takes no style from markup, so it is set by script.
var seeds = []struct{ rule, script string }{
	{"label", `main.append(Object.assign(document.createElement("input"), { id: "bare" }))`},
	{"name", `main.append(document.createElement("button"))`},
	{"name", `const bare = Object.assign(document.createElement("a"), { href: "#/due" }); bare.style.cssText = "display:block;block-size:3rem"; main.append(bare)`},
	{"lang", `document.documentElement.removeAttribute("lang")`},
	{"title", `document.title = ""`},
	{"one h1", `main.insertAdjacentHTML("beforeend", "<h1>Another</h1>")`},
	{"landmark: 2 main", `document.body.insertAdjacentHTML("beforeend", "<main></main>")`},
	{"landmark: nav", `document.getElementById("nav").removeAttribute("aria-label")`},
	{"landmark: no footer", `document.querySelector("footer").remove()`},
	{"skip link", `document.body.prepend(Object.assign(document.createElement("button"), { textContent: "First" }))`},
	{"heading level", `main.insertAdjacentHTML("beforeend", "<h2>Two</h2><h4>Four</h4>")`},
	{"duplicate id", `main.insertAdjacentHTML("beforeend", "<p id='message'>Twice</p>")`},
	{"names nothing", `document.querySelector("main select").setAttribute("aria-describedby", "gone")`},
	{"focus order", `document.querySelector("main a").tabIndex = 3`},
	{"alternative", `main.insertAdjacentHTML("beforeend", "<svg width='20' height='20'></svg>")`},
	{"dialog", `main.insertAdjacentHTML("beforeend", "<dialog open>Sure?</dialog>")`},
	{"table caption", `document.querySelector("main caption").textContent = ""`},
	{"table header", `document.querySelector("main th").removeAttribute("scope")`},
	{"contrast", `document.querySelector("main h2").style.color = "#a5a5a5"`},
	{"contrast", `document.querySelector("main td:nth-child(2)").style.cssText = "color:#fff;background:#8aa"`},
	{"contrast", `document.querySelector("main tbody").style.opacity = ".6"`},
	{"time zone", `main.insertAdjacentHTML("beforeend", "<p>Planned for 14:30</p>")`},
	{"time zone", `main.insertAdjacentHTML("beforeend", "<label for=w>From</label><input id=w type=datetime-local>")`},
	{"target size", `const small = Object.assign(document.createElement("button"), { textContent: "Go" }); small.style.cssText = "min-block-size:0;block-size:18px"; main.append(small)`},
	{"reflow", `const wide = Object.assign(document.createElement("p"), { textContent: "Wide" }); wide.style.inlineSize = "120rem"; main.append(wide)`},
}

// The rules can fail: each finds the mistake that is seeded for it, and nothing else that was not there before.
func TestRulesOfAccessFindSeededMistakes(t *testing.T) {
	stage, _ := retold(t)
	r := newReader(t, stage)
	r.begins(stage, "planner", "Due list")
	for i, seed := range seeds {
		r.b.Do(chromedp.Navigate(stage.URL(fmt.Sprintf("/?%d#/orders", i)))) // a document of its own for each
		r.waitFor(`document.querySelector("main").dataset.shows === "#/orders" && !document.querySelector("main").inert`)
		if i == 0 {
			if found := r.faults(); len(found) > 0 {
				t.Fatalf("before anything is seeded: %v", found)
			}
		}
		harness.Value(r.b, chromedp.Evaluate[bool](`(() => { const main = document.querySelector("main"); `+seed.script+`; return true; })()`))
		found := r.faults()
		if len(found) == 0 {
			t.Errorf("%s is not found: %s", seed.rule, seed.script)
		}
		for _, fault := range found {
			if !strings.HasPrefix(fault, seed.rule) {
				t.Errorf("for %s, %s was found: %s", seed.script, seed.rule, fault)
			}
		}
	}
}
