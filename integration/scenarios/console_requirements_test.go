package scenarios

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// requirementsOf are all requirements, as the API has them.
func requirementsOf(t *testing.T, p *harness.Person) []any {
	t.Helper()
	return elements(must(t, p.REST("GET", "/v1/requirements", nil)), "requirements")
}

// addsARequirement enters a requirement with limits within limits: what is typed is said in words at once, what is no number or belongs to another kind is
// refused at its field, the check records nothing, and what is recorded is what was read.
func (c clerk) addsARequirement(stage *harness.Stage, head *harness.Person) {
	c.t.Helper()
	c.goes(stage, "requirements", "Requirements")
	c.shows("No requirement yet, so nothing is due and nothing is known to be", "Nobody has decided to what it applies", "Then never again")
	c.presses("Check it; nothing is recorded yet")
	c.atField("req-kind", "Choose what kind")
	c.picks("req-kind", "DIRECTIVE")
	c.waitFor(`document.getElementById("req-tol-hours").offsetParent === null`)
	c.shows("A directive of an authority has no tolerance")
	c.picks("req-kind", "PROGRAMME_ITEM")
	c.types("req-code", "72-01")
	c.types("req-title", "Compressor wash")
	c.types("req-document", "Invented programme, demonstration only")
	c.types("req-revision", "4")
	c.picks("req-subject", "ENGINES")
	c.types("req-repeat-0-amount", "600:30")
	c.presses("Check it; nothing is recorded yet")
	c.atField("req-repeat-0-amount", "is no number")
	c.limits()
	c.b.Picture("requirement-form")
	c.types("req-tol-hours", "10")
	c.presses("Check it; nothing is recorded yet")
	c.atField("req-tol-document", "")
	c.types("req-tol-document", "Invented programme, demonstration only")
	c.types("req-tol-revision", "4")
	c.presses("Check it; nothing is recorded yet")
	c.shows("The service found nothing wrong", "It may run over by 10 h, as Invented programme, demonstration only, rev. 4 permits")
	if found := requirementsOf(c.t, head); len(found) != 0 {
		c.t.Errorf("the check recorded %v", found)
	}
	c.b.Picture("requirement-checked")
	c.presses("Record the requirement")
	c.waitFor(`document.querySelector("main h2").textContent === "72-01 Compressor wash"`)
	c.isRecorded(head)
	c.revises(head)
}

// limits types 600.5 h or, of two groups' limits, the later one.
func (c clerk) limits() {
	c.t.Helper()
	c.types("req-repeat-0-amount", "600,5")
	c.shows("Then again after 600.5 h, counted from when it was done.")
	c.presses("A group of limits")
	c.types("req-repeat-1-0-amount", "12")
	c.picks("req-repeat-1-0-unit", "MONTHS")
	c.waitFor(`[...document.querySelectorAll("#req-repeat-1 button")].some((b) => b.textContent === "Another limit" && (b.click(), true))`)
	c.types("req-repeat-1-1-amount", "400")
	c.picks("req-repeat-1-1-unit", "CYCLES")
	c.picks("req-repeat-1-combine", "LATER")
	c.shows("600.5 h or (12 months to the same day and 400 cycles, whichever comes last), whichever comes first")
}

// isRecorded looks at what the API has of it.
func (c clerk) isRecorded(head *harness.Person) {
	c.t.Helper()
	found := requirementsOf(c.t, head)
	if len(found) != 1 {
		c.t.Fatalf("recorded are %v", found)
	}
	r, _ := found[0].(map[string]any)
	repeat, _ := r["repeat"].(map[string]any)
	hours, _ := elements(repeat, "limits")[0].(map[string]any)
	group, _ := elements(repeat, "trees")[0].(map[string]any)
	tolerance, _ := r["tolerance"].(map[string]any)
	if text(repeat, "combine") != "FIRST" || text(hours, "unit") != "HOURS" || text(hours, "amount") != "2161800" || text(group, "combine") != "LATER" ||
		len(elements(group, "limits")) != 2 || text(tolerance, "operatingSeconds") != "36000" {
		c.t.Errorf("600.5 h, or the later of 12 months and 400 cycles, with 10 h of tolerance, is recorded as %v", r)
	}
}

// revises changes the first limit alone; what somebody else changed meanwhile is refused, with the entry still there.
func (c clerk) revises(head *harness.Person) {
	c.t.Helper()
	c.presses("Make its next revision")
	c.types("req-repeat-0-amount", "550")
	r, _ := requirementsOf(c.t, head)[0].(map[string]any)
	must(c.t, head.REST("PATCH", "/v1/"+text(r, "name")+"?updateMask=displayName", map[string]any{"name": r["name"], "etag": r["etag"], "displayName": "Compressor wash, warm"}))
	c.presses("Check it; nothing is recorded yet")
	c.waitFor(`[...document.querySelectorAll(".refusal")].some((r) => r.textContent.length > 2 && r.offsetParent)`)
	if kept := harness.Value(c.b, chromedp.Evaluate[string](`document.getElementById("req-repeat-0-amount").value`)); kept != "550" {
		c.t.Errorf("after the refusal the entry is %q", kept)
	}
	if said := c.b.Text("#requirement-form"); !strings.Contains(said, "550 h") {
		c.t.Errorf("after the refusal the page says %s", said)
	}
}
