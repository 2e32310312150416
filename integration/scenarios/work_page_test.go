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

// bench is the work page in a browser, the order that is done there, and the time of the stage and of the tab.
type bench struct {
	t     *testing.T
	b     *harness.Browser
	stage *harness.Stage
	order string
	now   time.Time
}

// pass moves the clocks of the suite and of the tab.
func (w *bench) pass(d time.Duration) {
	w.t.Helper()
	w.now = w.now.Add(d)
	if err := w.stage.SetClock(w.now); err != nil {
		w.t.Fatal(err)
	}
	harness.Value(w.b, chromedp.Evaluate[bool](fmt.Sprintf(`Date.now = () => %d; true`, w.now.UnixMilli())))
}

// be signs out whoever is there and signs somebody else in, at the order's page.
func (w *bench) be(login string) {
	w.t.Helper()
	if harness.Value(w.b, chromedp.Evaluate[bool](`document.querySelector("#who button") !== null`)) {
		w.b.Do(chromedp.Click(chromedp.CSS("#who button")))
	}
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#login")), chromedp.SendKeys(chromedp.CSS("#login"), login), chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"),
		chromedp.WaitVisible(chromedp.CSS("nav a")))
	w.open()
}

func (w *bench) open() {
	w.t.Helper()
	harness.Value(w.b, chromedp.Evaluate[bool](`location.hash = "#/work/`+strings.TrimPrefix(w.order, "workOrders/")+`"; true`))
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#work h2")))
}

// press presses the button of a name, and waits until the page says something.
func (w *bench) press(title, says string) {
	w.t.Helper()
	harness.Value(w.b, chromedp.Poll[bool](`(() => {
		const b = [...document.querySelectorAll("#work button, #work summary")].find((b) => b.textContent === "`+title+`" && b.offsetParent && !b.disabled && !b.closest("[inert]"));
		if (b) b.click(); return Boolean(b); })()`))
	w.says(says)
}

func (w *bench) says(words string) {
	w.t.Helper()
	harness.Value(w.b, chromedp.Poll[bool](`[document.getElementById("message"), ...document.querySelectorAll("#work .refusal, #work h3, #work .huge")]
		.some((p) => p.textContent.includes("`+words+`"))`))
}

func (w *bench) fill(id, text string) {
	w.t.Helper()
	harness.Value(w.b, chromedp.Poll[bool](`!document.querySelector("main").inert`))
	w.b.Do(chromedp.SendKeys(chromedp.CSS("#"+id), text))
}

// fillTime fills a box for times, in UTC.
func (w *bench) fillTime(id string, at time.Time) {
	w.t.Helper()
	harness.Value(w.b, chromedp.Evaluate[bool](`(document.getElementById("`+id+`").value = "`+at.Format("2006-01-02T15:04:05")+`") !== ""`))
}

// pick chooses what a list offers.
func (w *bench) pick(id, value string) {
	w.t.Helper()
	if got := harness.Value(w.b, chromedp.Evaluate[string](`(() => { const s = document.getElementById("`+id+`"); s.value = "`+value+`"; return s.value; })()`)); got != value {
		w.t.Fatalf("%s does not offer %q", id, value)
	}
}

// handy checks what gloves and a telephone need: nothing to press is lower than 56 px, and the page is no wider than the screen.
func (w *bench) handy(picture string) {
	w.t.Helper()
	w.b.Picture(picture)
	small := harness.Value(w.b, chromedp.Evaluate[string](`[...document.querySelectorAll("#work :is(button, summary, select, textarea, .tick, input:not([type=checkbox]))")]
		.filter((n) => n.offsetParent && n.getBoundingClientRect().height < 56).map((n) => n.id || n.textContent).join("; ")`))
	if wide := harness.Value(w.b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); small != "" || wide {
		w.t.Errorf("%s: lower than 56 px: %q; wider than the screen: %t", picture, small, wide)
	}
}

func (w *bench) as(login string) *harness.Person { return w.stage.SignIn(w.t, login) }

// benchFor is a technician at a telephone, a day after the story, with an order that is made for the test.
func benchFor(t *testing.T, order func(*testing.T, *bench) string) *bench {
	t.Helper()
	stage, out := retold(t)
	w := &bench{t: t, b: harness.OpenBrowser(t, 390, 844), stage: stage, now: lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)}
	if err := stage.SetClock(w.now); err != nil {
		t.Fatal(err)
	}
	w.order = order(t, w)
	w.b.Do(chromedp.Navigate(stage.URL("/")))
	w.be("technician")
	return w
}

// An order is done on a telephone from its start to its release, all of it by the page's buttons: cautions before the work, a reading with its
// tool, starter runs against their limits, a finding, the signatures of three people over just what each was shown, and what is refused is said beside what was
// pressed.
func TestAnOrderIsDoneInTheBrowser(t *testing.T) {
	w := benchFor(t, planned)
	w.pass(time.Minute)
	w.press("Start the work", "1 of 4")
	w.cautionsFirst()
	w.reads()
	w.motors()
	w.finds()
	w.signsTheStep()
	w.signsTheOrder()
	w.b.Do(chromedp.EmulateViewport(1280, 900))
	w.handy("work-desktop")
	var meanings []string
	for _, s := range elements(must(t, w.as("quality").REST("GET", "/v1/"+w.order+"/signatures", nil)), "signatures") {
		signature, _ := s.(map[string]any)
		meanings = append(meanings, text(signature, "meaning")+" "+text(signature, "person"))
	}
	if got := strings.Join(meanings, ", "); got != "PERFORMED people/technician, PERFORMED people/technician, INSPECTED people/inspector, RELEASED people/releaser" {
		t.Errorf("the signatures are %s", got)
	}
}

func lastTouched(t *testing.T, stage *harness.Stage, order string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text(must(t, stage.SignIn(t, "quality").REST("GET", "/v1/"+order, nil)), "updateTime"))
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// planned is a kitted order of a card with a step of each kind that the page treats in its own way.
func planned(t *testing.T, w *bench) string {
	t.Helper()
	planner := w.as("planner")
	must(t, planner.REST("POST", "/v1/taskCards?taskCardId=browser", map[string]any{
		"displayName": "Check in the browser", "kind": "OTHER", "inspectionRequired": true, "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{
			map[string]any{
				"title": "Read the supply pressure", "kind": "STEP_KIND_MEASURE", "instruction": "Open the tap slowly and read the gauge.", "requiredTools": []string{"pressure-gauge"},
				"cautions": []any{map[string]any{"severity": "WARNING", "text": "Pressure can throw the hose about. Wear goggles.", "source": "demonstration only"}},
				"measurements": []any{map[string]any{
					"key": "supply", "displayName": "Supply pressure", "unitCode": "kPa", "minValue": 250, "maxValue": 280, "source": "demonstration only", "toolRequired": true,
				}},
			},
			map[string]any{"title": "Motor the engine", "kind": "STEP_KIND_TIMED_RUN", "instruction": "Motor within the limits of the starter."},
			map[string]any{"title": "Take the blanks out", "kind": "STEP_KIND_RESTORE_AND_COUNT", "instruction": "Count what comes back.", "critical": true, "signatureRequired": true},
			map[string]any{"title": "Look at the inlet", "kind": "STEP_KIND_INDEPENDENT_INSPECTION", "instruction": "No blank is left.", "critical": true},
		},
	}))
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/browser"}))
	name := text(order, "name")
	order = must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{"etag": order["etag"], "planStartTime": w.now.Add(time.Hour), "station": "stations/skerry"}))
	must(t, planner.REST("POST", "/v1/"+name+":kit", map[string]any{"etag": order["etag"]}))
	return name
}

// cautionsFirst sees that nothing of the work shows, and nothing can be entered, before the caution above it was acknowledged.
func (w *bench) cautionsFirst() {
	w.t.Helper()
	w.handy("work-caution")
	if shown := w.b.Text("#step"); !strings.Contains(shown, "WARNING") || strings.Contains(shown, "Open the tap") || strings.Contains(shown, "is done") ||
		strings.Contains(shown, "Value read") {
		w.t.Errorf("before the caution is acknowledged: %s", shown)
	}
	w.press("I have read this", "Acknowledged")
	if shown := w.b.Text("#step"); strings.Index(shown, "Open the tap") < strings.Index(shown, "Wear goggles") {
		w.t.Errorf("the caution does not stand before the work: %s", shown)
	}
}

// reads takes a reading: without its tool it is refused, outside its limits it must be confirmed, and 38 psi are 262 kPa (NIST SP 811).
func (w *bench) reads() {
	w.t.Helper()
	w.press("Step 1 is done", "needs the reading")
	w.fill("read-supply", "38")
	w.press("Record Supply pressure", "in calibration")
	w.pick("tool-supply", "tools/pressure-gauge")
	w.press("Record Supply pressure", "outside its limits")
	w.handy("work-reading-refused")
	w.pick("read-supply-unit", "[psi]")
	w.press("Record Supply pressure", "Recorded")
	w.handy("work-reading")
	taken, _ := elements(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order+"/measurements", nil)), "measurements")[0].(map[string]any)
	entered, _ := taken["entered"].(map[string]any)
	if value, _ := taken["value"].(float64); text(entered, "text") != "38" || text(entered, "unitCode") != "[psi]" || value < 261.9 || value > 262.1 || taken["limitsMet"] != true {
		w.t.Errorf("the reading is kept as %v", taken)
	}
	w.press("Step 1 is done", "2 of 4")
}

// motors runs the starter: the times are those of the presses, also when the page was loaded anew meanwhile. While it rests the button is shut,
// and opens by itself; a run that was made all the same is recorded by its times, as an exceedance.
func (w *bench) motors() {
	w.t.Helper()
	w.pass(time.Hour)
	w.open()
	w.press("Starter on now", "0 min 00 s")
	w.pass(9 * time.Second)
	w.b.Do(chromedp.Reload(), chromedp.WaitVisible(chromedp.CSS("#elapsed")))
	w.pass(time.Second)
	w.says("0 min 10 s")
	w.handy("work-starter-on")
	w.press("Starter off now", "WAIT")
	w.handy("work-starter-wait")
	if shut := harness.Value(w.b, chromedp.Evaluate[bool](`(() => { const b = document.getElementById("starter-on"); b.click(); return b.disabled; })()`)); !shut {
		w.t.Error("the starter may be switched on while it has to rest")
	}
	w.press("Record a run that was made", "WAIT")
	w.fillTime("run-from", w.now.Add(20*time.Second))
	w.fillTime("run-to", w.now.Add(25*time.Second))
	w.pass(30 * time.Second)
	w.press("Record the run", "WAIT")
	w.pass(2 * time.Hour)
	harness.Value(w.b, chromedp.Poll[bool](`!document.getElementById("starter-on").disabled`))
	runs := elements(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order+"/motoringRuns", nil)), "motoringRuns")
	for i, want := range []struct {
		seconds    time.Duration
		exceedance bool
	}{{10 * time.Second, false}, {5 * time.Second, true}} {
		run, _ := runs[i].(map[string]any)
		from, _ := time.Parse(time.RFC3339Nano, text(run, "startTime"))
		to, _ := time.Parse(time.RFC3339Nano, text(run, "endTime"))
		if early, _ := run["exceedance"].(bool); to.Sub(from) != want.seconds || early != want.exceedance {
			w.t.Errorf("run %d is %v", i+1, run)
		}
	}
	w.press("Step 2 is done", "3 of 4")
}

// finds reports damage that stops the work, answers it, and goes on.
func (w *bench) finds() {
	w.t.Helper()
	w.press("Report a finding", "3 of 4")
	w.fill("found", "A seal of blank 2 is torn")
	w.b.Do(chromedp.Click(chromedp.CSS("#stop-work")))
	w.press("Report it", "The finding is reported")
	w.handy("work-held")
	w.press("Answer it", "Findings")
	w.fill("findings details[open] input:not([type=date])", "New seal fitted")
	w.press("Answer the finding", "The finding is answered")
	w.press("Go on with the work", "The order goes on")
}

// signsTheStep counts, and signs just the text that the API gives; a wrong password signs nothing.
func (w *bench) signsTheStep() {
	w.t.Helper()
	w.press("Step 3 is done", "Count what went out and what came back")
	w.fill("removed", "3")
	w.fill("restored", "2")
	w.press("Step 3 is done", "came back")
	w.fill("restored", "\b3")
	w.press("Step 3 is done", "Sign for the step")
	shown := must(w.t, w.as("technician").REST("GET", "/v1/"+w.order+"/steps/s03:previewSignature?meaning=PERFORMED", nil))
	if w.b.Text("#statement") != text(shown, "statement") || w.b.Text("#hash") != text(shown, "contentHash") {
		w.t.Errorf("the page shows %q with %q, the API %v", w.b.Text("#statement"), w.b.Text("#hash"), shown)
	}
	w.fill("sign-password", "not my password")
	w.press("Sign for the step", "password")
	w.handy("work-sign-refused")
	w.fill("sign-password", story.Password)
	w.press("Sign for the step", "Signed.")
}

// signsTheOrder is the rest: another person looks, the technician signs for the work, the inspector inspects and the releaser releases.
func (w *bench) signsTheOrder() {
	w.t.Helper()
	if shown := w.b.Text("#step"); !strings.Contains(shown, "done by an inspector") || strings.Contains(shown, "Step 4 is done") {
		w.t.Errorf("the technician is offered the look at the own work: %s", shown)
	}
	w.be("inspector")
	w.press("Step 4 is done", "Step 4 is done.")
	if shown := w.b.Text("#work"); !strings.Contains(shown, "Sign for the work: for somebody with the role technician") {
		w.t.Errorf("the inspector is shown %s", shown)
	}
	w.press("Verify and close it", "Findings")
	w.fill("findings details[open] input:not([type=date])", "Seal is new")
	w.press("Close the finding", "The finding is closed")
	w.be("technician")
	w.signs("Sign for the work", "FINISHED")
	w.be("inspector")
	if shown := w.b.Text("#work"); !strings.Contains(shown, "What departs from the plan") || !strings.Contains(shown, "30 min") || !strings.Contains(shown, "No reading is outside its limits") {
		w.t.Errorf("the inspector is shown %s", shown)
	}
	w.signs("Sign the inspection", "INSPECTED")
	w.be("releaser")
	w.signs("Sign the release", "RELEASED")
}

// signs proves who is there and signs what is shown; while the network is away that is refused, and nothing was signed.
func (w *bench) signs(title, state string) {
	w.t.Helper()
	w.handy("work-" + strings.ToLower(state))
	before := text(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order, nil)), "state")
	w.b.Network(false)
	w.fill("sign-password", story.Password)
	w.press(title, "No connection")
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#offline")))
	w.b.Picture("work-offline")
	w.b.Network(true)
	w.b.Do(chromedp.WaitNotVisible(chromedp.CSS("#offline")))
	if now := text(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order, nil)), "state"); now != before {
		w.t.Errorf("without a network the order went from %s to %s", before, now)
	}
	w.fill("sign-password", story.Password)
	w.press(title, "Signed.")
	if now := text(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order, nil)), "state"); now != state {
		w.t.Errorf("signed: the order is %s, want %s", now, state)
	}
}
