package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// inspecting is a kitted order of one step whose record follows the rules of an inspection: it is passed, or not passed with a dated list.
func inspecting(t *testing.T, w *bench) string {
	t.Helper()
	planner := w.as("planner")
	must(t, planner.REST("POST", "/v1/taskCards?taskCardId=look", map[string]any{
		"displayName": "Look at the compressor", "kind": "OTHER", "inspectionRequired": true, "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{map[string]any{"title": "Look at the blades", "kind": "STEP_KIND_DO", "instruction": "By the lamp, each stage.", "critical": true}},
	}))
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/look", "regime": "regimes/faa-inspection"}))
	name := text(order, "name")
	order = must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{"etag": order["etag"], "planStartTime": w.now.Add(time.Hour), "station": "stations/skerry"}))
	must(t, planner.REST("POST", "/v1/"+name+":kit", map[string]any{"etag": order["etag"]}))
	return name
}

// An inspection that is not passed, in the browser: the inspector sends the work back with the reason, which stands before who did it; and the releaser has to say
// what the inspection came to before anything can be signed. Not passed needs its dated list, and never looks like a release that is all right.
func TestAnInspectionThatIsNotPassedInTheBrowser(t *testing.T) {
	w := benchFor(t, inspecting)
	w.pass(time.Minute)
	w.press("Start the work", "Look at the blades")
	w.press("Step 1 is done", "Sign for the work")
	w.fill("sign-password", story.Password)
	w.press("Sign for the work", "total time in service in hours")
	w.fill("total-time", "5230,5")
	w.press("Sign for the work", "Signed.")
	w.be("inspector")
	w.reports("A blade of stage 1 is nicked")
	w.sendsBack("The nick is not blended")
	w.be("technician")
	w.shows("Sent back: The nick is not blended", "A blade of stage 1 is nicked", "Before: DONE by you")
	w.press("Step 1 is done", "Sign for the work")
	w.answers("Blended by the manual")
	w.fill("total-time", "5230,5")
	w.approves("Sign for the work")
	w.be("inspector")
	w.press("Verify and close it", "Findings")
	w.press("Close the finding", "The finding is closed")
	w.approves("Sign the inspection")
	w.reports("Oil leaks at the front case")
	w.answers("For the owner to have it sealed")
	w.be("releaser")
	w.shows("It was sent back once", "an inspector or quality reports findings")
	w.judges()
	w.looksNotPassed()
}

// reports enters a finding.
func (w *bench) reports(what string) {
	w.t.Helper()
	w.press("Report a finding", "Findings")
	w.fill("found", what)
	w.press("Report it", "The finding is reported")
}

// answers says what is done about the finding that has no answer.
func (w *bench) answers(what string) {
	w.t.Helper()
	w.press("Answer it", "Findings")
	w.fill("findings details[open] input:not([type=date])", what)
	w.press("Answer the finding", "The finding is answered")
}

// approves signs what is shown, by the password.
func (w *bench) approves(title string) {
	w.t.Helper()
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#sign-password")))
	w.fill("sign-password", story.Password)
	w.press(title, "Signed.")
}

// shows waits until the page says all the words.
func (w *bench) shows(words ...string) {
	w.t.Helper()
	clerk{w.t, w.b}.shows(words...)
}

// sendsBack sends the order back to who did the work, which needs its reason.
func (w *bench) sendsBack(why string) {
	w.t.Helper()
	w.press("Send it back", "Findings")
	again := func(says string) {
		harness.Value(w.b, chromedp.Poll[bool](`(() => {
			const b = [...document.querySelectorAll("#work details[open] button")].find((b) => b.textContent === "Send it back" && !b.disabled && !b.closest("[inert]"));
			if (b) b.click(); return Boolean(b); })()`))
		w.says(says)
	}
	again("reason")
	w.fill("rework-reason", why)
	w.b.Do(chromedp.Click(chromedp.CSS("#anew-s01")))
	again("Sent back to who did the work")
}

// judges says what the inspection came to: nothing is offered for a signature before, passed is refused while a finding is open, and not passed needs the date of
// its list.
func (w *bench) judges() {
	w.t.Helper()
	w.shows("Say first what the inspection came to")
	if ready := harness.Value(w.b, chromedp.Evaluate[bool](`[...document.querySelectorAll("#sign button")].some((b) => b.textContent === "Sign the release" && !b.disabled)`)); ready {
		w.t.Error("a release can be signed before anybody said what the inspection came to")
	}
	c := clerk{w.t, w.b}
	c.picks("inspection-result", "INSPECTION_RESULT_AIRWORTHY")
	w.shows("airworthy condition", "First:")
	c.picks("inspection-result", "INSPECTION_RESULT_NOT_AIRWORTHY")
	w.shows("the date of the list of discrepancies")
	harness.Value(w.b, chromedp.Evaluate[bool](`(() => { const d = document.getElementById("list-date"); d.value = "`+w.now.Format(time.DateOnly)+`";
		d.dispatchEvent(new Event("change", { bubbles: true })); return true; })()`))
	w.shows("dated "+w.now.Format(time.DateOnly), "On the list: Oil leaks at the front case")
	w.handy("not-passed-sign")
	w.approves("Sign the release")
}

// looksNotPassed looks at the order wherever it is shown, and at what the API has of it.
func (w *bench) looksNotPassed() {
	w.t.Helper()
	w.shows("INSPECTION NOT PASSED", "THE INSPECTION WAS NOT PASSED", "It is no release to service")
	w.b.Picture("not-passed-work")
	id := strings.TrimPrefix(w.order, "workOrders/")
	for _, page := range []string{"order/" + id, "orders", "engine/demo-4711"} {
		harness.Value(w.b, chromedp.Evaluate[bool](`location.hash = "#/`+page+`"; true`))
		w.shows("■ INSPECTION NOT PASSED")
		w.b.Picture("not-passed-" + strings.ReplaceAll(page, "/", "-"))
	}
	got := must(w.t, w.as("quality").REST("GET", "/v1/"+w.order, nil))
	if text(got, "inspectionResult") != "INSPECTION_RESULT_NOT_AIRWORTHY" || len(elements(got, "discrepancies")) != 1 {
		w.t.Errorf("the order is %v", got)
	}
}
