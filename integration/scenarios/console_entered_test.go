package scenarios

import (
	"fmt"
	"strings"
	"testing"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// sets puts a day into a box, as its picker does.
func (c clerk) sets(id, day string) {
	c.t.Helper()
	c.waitFor(`(() => { const b = document.getElementById("` + id + `"); if (!b || !b.offsetParent) return false; b.value = "` + day + `";
		b.dispatchEvent(new Event("input", { bubbles: true })); return b.value === "` + day + `"; })()`)
}

// entry is what an engine was entered with, as the API has it: seconds, cycles and the day.
func entry(t *testing.T, p *harness.Person) (string, map[string]any) {
	t.Helper()
	e := must(t, p.REST("GET", "/v1/engines/demo-4711", nil))
	c, _ := e["entryCounters"].(map[string]any)
	d, _ := e["entryDate"].(map[string]any)
	return fmt.Sprint(text(c, "operatingSeconds"), " s, ", text(c, "cycles"), " cycles, ", d["year"], "-", d["month"], "-", d["day"]), e
}

// Quality corrects the day on which an engine was entered, and then its hours: what is recorded and what is right stand in words before they are signed, counters below those
// of earlier work are refused, and what nobody touched stays to the second.
func TestQualityCorrectsWhatAnEngineWasEnteredWith(t *testing.T) {
	c, stage := signer(t)
	quality := stage.SignIn(t, "quality")
	if was, _ := entry(t, quality); was != "18828000 s, 2210 cycles, 2026-9-7" {
		t.Fatalf("the story enters %s", was)
	}
	c.goes(stage, "engine/demo-4711", "Engine DEMO-4711")
	c.shows("It was entered with 5230 h, 2210 cycles, 2304 starts, 2390 landings at the end of 2026-09-07.")
	c.presses("Correct what it was entered with")
	c.shows("CAUTION: every limit in hours, cycles and starts counts from these numbers")
	c.sets("right-day", "2026-09-06")
	c.presses("Sign the correction")
	c.atField("right-paper", "Give the paper")
	c.types("right-paper", "Log book, page 12")
	c.types("right-why", "The page is of the day before")
	c.shows("Engine DEMO-4711: recorded are 5230 h, 2210 cycles, 2304 starts, 2390 landings at the end of 2026-09-07.", "The day of the entry is 2026-09-06, and not 2026-09-07")
	c.types("sign-password", story.Password)
	c.b.Picture("entry-corrected")
	c.presses("Sign the correction")
	c.shows("It is corrected and signed", "Corrected before", "2026-09-07 to 2026-09-06", "Log book, page 12", "Omar Saidi")
	if now, _ := entry(t, quality); now != "18828000 s, 2210 cycles, 2026-9-6" {
		t.Errorf("after the day was corrected it is %s", now)
	}
	c.presses("Correct what it was entered with")
	c.types("right-operating_seconds", "5000")
	c.types("right-paper", "Log book, page 11")
	c.types("right-why", "A digit was misread")
	c.types("sign-password", story.Password)
	c.presses("Sign the correction")
	c.shows("more than these counters")
	c.types("right-operating_seconds", "5229,5")
	c.shows("Right are 5229.5 h, 2210 cycles", "The day of the entry stays.")
	c.types("sign-password", story.Password)
	c.presses("Sign the correction")
	c.shows("It was entered with 5229.5 h, 2210 cycles, 2304 starts, 2390 landings at the end of 2026-09-06.")
	now, e := entry(t, quality)
	if now != "18826200 s, 2210 cycles, 2026-9-6" || len(elements(e, "entryCorrections")) != 2 {
		t.Errorf("after the hours were corrected it is %s: %v", now, e)
	}
	c.correctsAPart(stage)
	c.begins(stage, "planner", "Due list")
	c.goes(stage, "engine/demo-4711", "Engine DEMO-4711")
	c.shows("It was entered with 5229.5 h")
	if shown := c.b.Text("main"); strings.Contains(shown, "Correct what it was entered with") {
		t.Error("a planner is asked to correct what quality signs")
	}
}

// correctsAPart does so on the page of a part, which the list of parts leads to.
func (c clerk) correctsAPart(stage *harness.Stage) {
	c.t.Helper()
	addsADisc(c.t, stage)
	c.goes(stage, "parts", "Parts")
	c.presses("D-100 S-1")
	c.waitFor(`document.querySelector("main h2").textContent === "Part D-100 S-1"`)
	c.presses("Correct what it was entered with")
	c.types("right-cycles", "410")
	c.types("right-paper", "Card of the disc")
	c.types("right-why", "Ten cycles were left out")
	c.types("sign-password", story.Password)
	c.presses("Sign the correction")
	c.shows("It was entered with 900 h, 410 cycles")
	c.b.Picture("part-corrected")
	got := must(c.t, stage.SignIn(c.t, "quality").REST("GET", "/v1/components/disc", nil))
	if counted, _ := got["counters"].(map[string]any); text(counted, "cycles") != "410" {
		c.t.Errorf("the part has %v", got["counters"])
	}
}

// addsADisc adds an invented part, demonstration only.
func addsADisc(t *testing.T, stage *harness.Stage) {
	t.Helper()
	must(t, stage.SignIn(t, "planner").REST("POST", "/v1/components?componentId=disc", map[string]any{
		"partNumber": "D-100", "serial": "S-1", "displayName": "Disc, demonstration only", "counters": map[string]any{"operatingSeconds": "3240000", "cycles": "400", "starts": "420"},
		"countersDate": map[string]any{"year": 2026, "month": 9, "day": 1},
	}))
}
