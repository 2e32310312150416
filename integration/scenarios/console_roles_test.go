package scenarios

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// clerk is somebody at the console.
type clerk struct {
	t *testing.T
	b *harness.Browser
}

// waitFor waits until a condition of the page holds.
func (c clerk) waitFor(condition string) {
	c.t.Helper()
	harness.Value(c.b, chromedp.Poll[bool](condition))
}

// shows waits until the page says all the words.
func (c clerk) shows(words ...string) {
	c.t.Helper()
	for _, w := range words {
		c.waitFor(fmt.Sprintf(`document.body.innerText.includes(%q)`, w))
	}
}

// presses does so on what has this title, once it is there and takes a press.
func (c clerk) presses(title string) {
	c.t.Helper()
	c.waitFor(fmt.Sprintf(`(() => {
		const b = [...document.querySelectorAll("main :is(button, summary, a)")].find((b) => b.textContent === %q && b.offsetParent && !b.disabled && !b.closest("[inert]"));
		if (b) b.click();
		return Boolean(b);
	})()`, title))
}

func (c clerk) fills(id, text string) {
	c.t.Helper()
	c.b.Do(chromedp.WaitVisible(chromedp.CSS("main:not([inert]) #"+id)), chromedp.SendKeys(chromedp.CSS("#"+id), text))
}

// begins signs somebody in and sees the page where the day begins.
func (c clerk) begins(stage *harness.Stage, login, heading string) {
	c.t.Helper()
	if harness.Value(c.b, chromedp.Evaluate[bool](`document.querySelector("#who button") !== null`)) {
		leave(c.b)
		harness.Value(c.b, chromedp.Evaluate[bool](`(location.hash = "") === ""`))
	}
	enterAs(c.b, stage, login)
	c.waitFor(fmt.Sprintf(`document.querySelector("main h2").textContent === %q`, heading))
	c.b.Picture("begins-" + login)
}

// Each role begins at the page of its work, and gets it done there: a planner drafts and schedules, stores see what has to go out, a
// technician sees who has to do what first, an administrator adds a person, and quality authorizes that person.
func TestEachRoleGetsItsWorkDone(t *testing.T) {
	stage, out := retold(t)
	if err := stage.SetClock(lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)); err != nil {
		t.Fatal(err)
	}
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "planner", "Due list")
	id := c.plans(stage)
	c.begins(stage, "stores", "Issue desk")
	c.shows("Orders that something must go out for", "4 L of Demineralised water")
	c.begins(stage, "technician", "Jobs")
	c.shows("Salt rinse (sample)", "waits for its kit", "engine DEMO-4711 on DEMO-101, for you")
	c.presses("Salt rinse (sample)")
	c.shows("stores issue what it needs")
	c.presses("Wash plan, revision 2, not final")
	c.shows("Container pressure", "262 kPa (38 psi), gauge", "4.5 °C")
	for login, heading := range map[string]string{"inspector": "Jobs", "releaser": "Jobs", "quality": "Status on a date", "analyst": "Engines"} {
		c.begins(stage, login, heading)
	}
	c.begins(stage, "admin", "Accounts")
	c.addsNora(stage)
	c.callsByPage(stage)
	c.begins(stage, "quality", "Status on a date")
	c.authorizesNora(stage)
	if order := must(t, stage.SignIn(t, "planner").REST("GET", "/v1/workOrders/"+id, nil)); text(order, "state") != "SCHEDULED" {
		t.Errorf("the order is %v", order)
	}
	c.begins(stage, "planner", "Due list")
	c.takesOff(stage, id)
}

// takesOff plans an order anew with nobody on it: where the rest of the plan is refused nobody is taken off, and then both are one press.
func (c clerk) takesOff(stage *harness.Stage, id string) {
	c.t.Helper()
	assigned := func() string {
		return fmt.Sprint(elements(must(c.t, stage.SignIn(c.t, "planner").REST("GET", "/v1/workOrders/"+id, nil)), "assignees"))
	}
	open(c.t, c.b, stage, "order/"+id, "Order")
	c.presses("Plan it anew")
	was := harness.Value(c.b, chromedp.Evaluate[string](`document.getElementById("plan-start").value`))
	c.waitFor(`document.getElementById("who-technician").checked && !(document.getElementById("who-technician").checked = false)`)
	c.waitFor(`(document.getElementById("plan-start").value = "2020-01-01T08:00") !== ""`)
	c.types("lowest", "4.5")
	c.presses("Plan it so")
	c.waitFor(`[...document.querySelectorAll("#verbs .refusal")].some((r) => r.textContent.includes("past"))`)
	if got := assigned(); got != "[people/technician]" {
		c.t.Errorf("a plan that was refused leaves it to %s", got)
	}
	c.waitFor(`(document.getElementById("plan-start").value = "` + was + `") !== ""`)
	c.presses("Plan it so")
	c.shows("The order is scheduled", "nobody yet")
	if got := assigned(); got != "[]" {
		c.t.Errorf("planned with nobody, it is for %s", got)
	}
}

// plans drafts an order and schedules it; what is missing is said beside the button.
func (c clerk) plans(stage *harness.Stage) string {
	c.t.Helper()
	open(c.t, c.b, stage, "orders", "Orders")
	c.presses("Draft an order")
	c.waitFor(`(document.getElementById("draft-card").value = "taskCards/salt-rinse") !== ""`)
	c.presses("Draft it")
	c.shows("It is drafted. A planner schedules it.")
	c.presses("Schedule it")
	c.waitFor(`document.getElementById("who-technician").checked = true`)
	c.presses("Schedule")
	c.shows("No temperature is known for Skerry base")
	c.fills("lowest-source", "forecast")
	c.presses("Schedule")
	c.shows("Type the temperature that this is the source of")
	for _, typed := range []string{"-5 °C", "-5 to 3", "1,234.5"} { // none of them may be planned as 0 °C
		c.types("lowest", typed)
		c.presses("Schedule")
		c.shows("“" + typed + "” is no number")
	}
	c.types("lowest", "4,5")
	c.presses("Schedule")
	c.shows("The order is scheduled", "Stores issue what it needs")
	c.b.Picture("planner-scheduled")
	return strings.TrimPrefix(harness.Value(c.b, chromedp.Evaluate[string](`location.hash`)), "#/order/")
}

// addsNora makes a person and an account in one go; the link that is shown once lets Nora in, by a browser of her own.
func (c clerk) addsNora(stage *harness.Stage) {
	c.t.Helper()
	c.presses("Add an account")
	c.fills("new-name", "Nora Berg")
	c.fills("new-login", "nora")
	c.b.Do(chromedp.Click(chromedp.CSS("#role-technician")))
	c.presses("Make the account")
	c.waitFor(`document.getElementById("once") !== null`)
	c.b.Picture("admin-invited")
	nora := clerk{c.t, harness.OpenBrowser(c.t, 390, 844)}
	nora.b.Do(chromedp.Navigate(c.b.Text("#once")), chromedp.WaitVisible(chromedp.CSS("#password")),
		chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))
	nora.shows("Nora Berg", "Jobs")
	if who := must(c.t, stage.SignIn(c.t, "nora").REST("GET", "/v1/sessions/current", nil)); text(who, "person") != "people/nora" {
		c.t.Errorf("Nora is %v", who)
	}
}

// authorizesNora grants what her work needs, with its days and its reference.
func (c clerk) authorizesNora(stage *harness.Stage) {
	c.t.Helper()
	open(c.t, c.b, stage, "people/nora", "Nora Berg")
	c.shows("this person can sign nothing")
	c.presses("Grant an authorization")
	c.waitFor(`(document.getElementById("scope-until").value = "2027-10-01") !== ""`)
	c.waitFor(`(document.getElementById("scope-seen").value = "2026-09-01") !== ""`)
	c.fills("scope-reference", "DEMO-9")
	c.presses("Grant it")
	c.shows("Granted.", "○ IN FORCE", "DEMO-9")
	c.b.Picture("quality-granted")
}

// callsByPage walks the record of calls: it comes in pages that a telephone can show, each older than the one before, and the browser's way back leads to the newer one.
func (c clerk) callsByPage(stage *harness.Stage) {
	c.t.Helper()
	const rows = `[...document.querySelectorAll("main tbody tr")].map((r) => r.textContent).join("|")`
	open(c.t, c.b, stage, "calls", "Record of calls")
	newest := harness.Value(c.b, chromedp.Evaluate[string](rows))
	if n := strings.Count(newest, "|") + 1; n != 50 {
		c.t.Errorf("a page has %d calls", n)
	}
	c.presses("Next")
	c.waitFor(`location.hash.includes("from=") && document.querySelector("main caption").textContent.includes("51 to")`)
	if older := harness.Value(c.b, chromedp.Evaluate[string](rows)); older == newest {
		c.t.Error("the older page is the newest")
	}
	harness.Value(c.b, chromedp.Evaluate[bool](`history.back() === undefined`))
	c.waitFor(`document.querySelector("main caption").textContent.includes("newest first: 1 to 50")`)
	if back := harness.Value(c.b, chromedp.Evaluate[string](rows)); !strings.Contains(back, strings.Split(newest, "|")[1]) {
		c.t.Errorf("back leads to %.200s", back)
	}
}
