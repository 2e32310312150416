package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// kept is what this tab keeps of what was typed.
func (w *bench) kept() string {
	w.t.Helper()
	return harness.Value(w.b, chromedp.Evaluate[string](`sessionStorage.getItem("coldsection-typed") || ""`))
}

func (w *bench) box(id string) string {
	w.t.Helper()
	return harness.Value(w.b, chromedp.Evaluate[string](`document.getElementById("`+id+`").value`))
}

// What was typed in one form stays while another one of the page is saved, and when the tab is loaded again, and is gone once its own form is saved, its person clears it or
// signs out. It belongs to its step, and a password is never kept.
func TestWhatWasTypedStaysWhileAnotherFormIsSaved(t *testing.T) {
	w := benchFor(t, twice)
	w.pass(time.Hour)
	w.press("Start the work", "1 of 2")
	w.press("Report a finding", "Findings")
	w.fill("found", "A dent at the inlet lip")
	w.press("Add a note", "1 of 2")
	w.fill("note", "Gauge read twice")
	w.fill("read-supply", "262")
	w.press("Record Supply pressure", "Recorded")
	w.shows("What you typed here and did not save is still there, in 2 boxes.")
	if w.box("found") != "A dent at the inlet lip" || w.box("note") != "Gauge read twice" || strings.Contains(w.kept(), "262") {
		t.Errorf("after another form was saved: %q, %q, kept %s", w.box("found"), w.box("note"), w.kept())
	}
	w.handy("typed-kept")
	w.b.Do(chromedp.Reload(), chromedp.WaitVisible(chromedp.CSS("#kept")))
	if w.box("found") != "A dent at the inlet lip" || w.box("note") != "Gauge read twice" {
		t.Errorf("loaded again: %q, %q", w.box("found"), w.box("note"))
	}
	w.press("Step 1 is done", "Sign for the step")
	w.fill("sign-password", "a passphrase half typed")
	w.shows("in 1 box.")
	if kept := w.kept(); strings.Contains(kept, "half typed") || strings.Contains(kept, "Gauge") || !strings.Contains(kept, "A dent") {
		t.Errorf("kept is %s", kept)
	}
	w.press("Report it", "The finding is reported")
	if w.box("found") != "" || strings.Contains(w.kept(), "dent") || w.box("sign-password") != "" {
		t.Errorf("after the own form was saved: %q, kept %s", w.box("found"), w.kept())
	}
	w.press("Report a finding", "Findings")
	w.fill("found", "Not to be kept")
	w.shows("Sign for the step")
	w.fill("sign-password", story.Password)
	w.press("Sign for the step", "Signed.")
	w.press("Clear it", "Findings")
	harness.Value(w.b, chromedp.Poll[bool](`!document.getElementById("kept") && document.getElementById("found").value === ""`))
	w.press("Report a finding", "Findings")
	w.fill("found", "The next person does not see this")
	w.be("inspector")
	if w.box("found") != "" || strings.Contains(w.kept(), "next person") {
		t.Errorf("somebody else finds %q, kept %s", w.box("found"), w.kept())
	}
}

// A choice that was typed and that the list does not have any more, as somebody took it out meanwhile, leaves the page's own in its place: a blank one looked chosen, and
// was sent as nothing.
func TestAChoiceThatIsGoneLeavesThePagesOwn(t *testing.T) {
	w := benchFor(t, twice)
	c := clerk{t, w.b}
	open(t, w.b, w.stage, "orders", "Orders")
	c.presses("Draft an order")
	own := w.box("draft-card")
	c.picks("draft-card", "taskCards/salt-rinse")
	c.picks("draft-regime", "regimes/easa-145")
	if kept := w.kept(); !strings.Contains(kept, "taskCards/salt-rinse") {
		t.Fatalf("kept is %s", kept)
	}
	harness.Value(w.b, chromedp.Evaluate[bool](`(sessionStorage.setItem("coldsection-typed", sessionStorage.getItem("coldsection-typed").replace("salt-rinse", "taken-out")), true)`))
	w.b.Do(chromedp.Reload(), chromedp.WaitVisible(chromedp.CSS("#kept")))
	w.shows("in 1 box.")
	if card, regime := w.box("draft-card"), w.box("draft-regime"); card != own || own == "" || regime != "regimes/easa-145" || strings.Contains(w.kept(), "taken-out") {
		t.Errorf("the card is %q, at first %q; the rules are %q; kept %s", card, own, regime, w.kept())
	}
}
