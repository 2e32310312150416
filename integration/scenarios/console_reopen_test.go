package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// twice is a kitted order of a step that is read and signed, and a look at it by another person.
func twice(t *testing.T, w *bench) string {
	t.Helper()
	planner := w.as("planner")
	must(t, planner.REST("POST", "/v1/taskCards?taskCardId=twice", map[string]any{
		"displayName": "Read twice", "kind": "OTHER", "inspectionRequired": true, "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{
			map[string]any{
				"title": "Read the supply pressure", "kind": "STEP_KIND_MEASURE", "instruction": "Open the tap and read the gauge.", "signatureRequired": true, "critical": true,
				"measurements": []any{map[string]any{"key": "supply", "displayName": "Supply pressure", "unitCode": "kPa", "minValue": 250, "maxValue": 280, "source": "demonstration only"}},
			},
			map[string]any{"title": "Look at the gauge", "kind": "STEP_KIND_INDEPENDENT_INSPECTION", "instruction": "The tap is open.", "critical": true},
		},
	}))
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/twice"}))
	name := text(order, "name")
	order = must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{"etag": order["etag"], "planStartTime": w.now.Add(time.Hour), "station": "stations/skerry"}))
	must(t, planner.REST("POST", "/v1/"+name+":kit", map[string]any{"etag": order["etag"]}))
	return name
}

// A step that is opened again in the browser: what was read before stands beside and counts no more, its reading is taken anew, the signature over it is out of force
// wherever it is shown, the look that came after is made again, and who signs later sees that and why.
func TestAStepIsOpenedAgainInTheBrowser(t *testing.T) {
	w := benchFor(t, twice)
	w.pass(time.Minute)
	w.press("Start the work", "1 of 2")
	w.readsAndSigns("262")
	w.be("inspector")
	w.press("Step 2 is done", "Step 2 is done")
	w.pass(time.Minute)
	w.be("technician")
	w.opensAgain()
	w.pass(time.Minute)
	w.readsAndSigns("270")
	w.be("inspector")
	w.shows("2 of 2", "Opened again by", "step 1 was opened again: The tap was shut")
	w.press("Step 2 is done", "Step 2 is done")
	w.be("technician")
	w.approves("Sign for the work")
	w.be("inspector")
	w.shows("Steps that were opened again", "The tap was shut", "What was recorded before")
	w.handy("reopened-inspector")
	open(t, w.b, w.stage, strings.Replace(w.order, "workOrders/", "order/", 1), "Order ")
	w.shows("no more, since", "opened again before")
	w.b.Picture("reopened-order")
	var in, void int
	for _, s := range elements(must(t, w.as("quality").REST("GET", "/v1/"+w.order+"/signatures", nil)), "signatures") {
		if signature, _ := s.(map[string]any); signature["voidTime"] != nil {
			void++
		} else {
			in++
		}
	}
	shown := w.b.Text("main")
	if in != 2 || void != 1 || strings.Count(shown, "no more, since") != void {
		t.Errorf("%d signatures are in force and %d are not; the order shows %s", in, void, shown)
	}
}

// readsAndSigns does the first step: nothing but a new reading lets it be done.
func (w *bench) readsAndSigns(value string) {
	w.t.Helper()
	w.press("Step 1 is done", "needs the reading")
	w.fill("read-supply", value)
	w.press("Record Supply pressure", "Recorded")
	w.press("Step 1 is done", "Sign for the step")
	w.fill("sign-password", story.Password)
	w.press("Sign for the step", "Signed.")
}

// opensAgain opens the first step, for which a reason is needed.
func (w *bench) opensAgain() {
	w.t.Helper()
	harness.Value(w.b, chromedp.Evaluate[bool](`(location.hash += "/s01") !== ""`))
	w.shows("1 of 2", "supply: 262 kPa")
	w.press("Open this step again", "1 of 2")
	w.press("Open it again", "reason")
	w.fill("anew-reason", "The tap was shut")
	w.press("Open it again", "The step is open again")
	w.shows("Before: DONE by you", "It was signed, and that signature counts no more", "The tap was shut", "Before: 262 kPa")
	w.handy("reopened-step")
}
