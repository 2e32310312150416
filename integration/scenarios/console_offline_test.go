package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// hangar is a technician with a telephone where the connection comes and goes: Mina at her order, and Ola, who works on it too.
type hangar struct {
	*bench

	d *desk
}

// Cases OFF-01 to OFF-04 and OFF-06: without a connection an order is there also after a reload, entries wait on the device with their time, and
// nothing can be signed. With it again they arrive once each, also one whose answer was lost; what somebody else did meanwhile is not
// overwritten, and the entry against it stays until its person decides.
func TestEntriesWaitForAConnection(t *testing.T) {
	d := atDesk(t)
	d.hire("ola", "Ola", "technician")
	h := &hangar{d: d, bench: &bench{t: t, b: harness.OpenBrowser(t, 390, 844), stage: d.stage}}
	h.planned(d.stage.SignIn(t, "mina"))
	h.b.Do(chromedp.Navigate(d.stage.URL("/")))
	h.be("mina")
	harness.Value(h.b, chromedp.Poll[bool](`window.worker === "activated" || (navigator.serviceWorker.ready.then((r) => { window.worker = r.active.state; }), false)`))
	h.starts()
	h.works()
	h.reloads()
	h.comesBack()
	h.meanwhile()
	h.decides()
}

// starts the work of an engine whose record has no hours: they are asked for, as what is not said is not 0.
func (h *hangar) starts() {
	h.t.Helper()
	h.press("Start the work", "Read hours, cycles and starts")
	h.fill("start-hours", "1000")
	h.fill("start-cycles", "900")
	h.press("Start the work", "1 of 3")
}

// planned is an order of three steps on an engine without counters, kitted by Mina.
func (h *hangar) planned(mina *harness.Person) {
	h.t.Helper()
	t := h.t
	for _, person := range []string{"people/mina", "people/ola"} {
		must(t, h.d.admin.REST("POST", "/v1/"+person+"/authorizations", map[string]any{
			"scope": "perform", "startDate": firstOf(2026, 1), "endDate": firstOf(2028, 1), "lastExperienceDate": firstOf(2026, 5), "reference": "demonstration only",
		}))
	}
	must(t, mina.REST("POST", "/v1/stations?stationId=base", map[string]any{"displayName": "Base", "timeZone": "Europe/Oslo"}))
	must(t, mina.REST("POST", "/v1/engines?engineId=e1", map[string]any{"serial": "E1", "engineModel": "engineModels/inv-6", "owner": "demo-operator"}))
	must(t, mina.REST("POST", "/v1/taskCards?taskCardId=hangar", map[string]any{
		"displayName": "Look in the hangar", "kind": "OTHER", "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{
			map[string]any{
				"title": "Read the pressure", "kind": "STEP_KIND_MEASURE", "instruction": "Read the gauge.",
				"cautions":     []any{map[string]any{"severity": "WARNING", "text": "Wear goggles.", "source": "demonstration only"}},
				"measurements": []any{map[string]any{"key": "supply", "displayName": "Supply pressure", "unitCode": "kPa", "minValue": 250, "maxValue": 280, "source": "demonstration only"}},
			},
			map[string]any{"title": "Look at the inlet", "kind": "STEP_KIND_DO", "instruction": "Look."},
			map[string]any{"title": "Motor the engine", "kind": "STEP_KIND_TIMED_RUN", "instruction": "Motor."},
		},
	}))
	order := must(t, mina.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/e1", "taskCard": "taskCards/hangar"}))
	h.order = text(order, "name")
	order = must(t, mina.REST("POST", "/v1/"+h.order+":schedule", map[string]any{"etag": order["etag"], "planStartTime": h.d.now.Add(time.Hour), "station": "stations/base"}))
	must(t, mina.REST("POST", "/v1/"+h.order+":kit", map[string]any{"etag": order["etag"]}))
}

// told waits for the words in the head of every page.
func (h *hangar) told(words string) {
	h.t.Helper()
	harness.Value(h.b, chromedp.Poll[bool](`document.getElementById("waits").textContent.includes("`+words+`")`))
}

// works does a step without a network, and is asked here what the suite would ask.
func (h *hangar) works() {
	h.t.Helper()
	h.b.Network(false)
	h.b.Do(chromedp.WaitVisible(chromedp.CSS("#offline")))
	h.press("I have read this", "Cautions of step 1 were read: kept on this device")
	h.told("1 waiting to be sent")
	h.fill("read-supply", "38")
	h.press("Record Supply pressure", "outside its limits")
	h.b.Do(chromedp.SendKeys(chromedp.CSS("#read-supply"), "\b\b262,5"))
	h.press("Record Supply pressure", "262,5 kPa: kept on this device")
	h.press("Step 1 is done", "2 of 3")
	h.told("3 waiting to be sent")
	h.handy("work-waiting")
}

// reloads sees that everything is still there when the console is opened anew without a network, at the time of the suite.
func (h *hangar) reloads() {
	h.t.Helper()
	h.b.Do(chromedp.Reload(), chromedp.WaitVisible(chromedp.CSS("#offline")))
	h.told("3 waiting to be sent")
	if shown := h.b.Text("#work"); !strings.Contains(shown, "2 of 3") || !strings.Contains(h.b.Text("#offline"), "read 0 min ago") {
		h.t.Errorf("after a reload without a network: %s", shown)
	}
	h.b.Picture("work-waiting-reloaded")
}

// comesBack sees that each entry arrives once, ten minutes later and with the time at which it was made, though the answer to the first is lost
// on the way.
func (h *hangar) comesBack() {
	h.t.Helper()
	h.d.pass(10 * time.Minute)
	harness.Value(h.b, chromedp.Evaluate[bool](`(() => {
		const real = window.fetch;
		window.lost = "";
		window.fetch = async (path, how) => {
			const answer = await real(path, how);
			if (how.method !== "POST" || window.lost) return answer;
			window.lost = path + " " + answer.status;
			throw new TypeError("the answer was lost");
		};
		return true;
	})()`))
	h.b.Network(true)
	harness.Value(h.b, chromedp.Poll[bool](`window.lost !== ""`))
	if lost := harness.Value(h.b, chromedp.Evaluate[string](`window.lost`)); !strings.HasSuffix(lost, ":acknowledge 200") {
		h.t.Errorf("the lost answer was %q", lost)
	}
	harness.Value(h.b, chromedp.Evaluate[bool](`dispatchEvent(new Event("online"))`))
	harness.Value(h.b, chromedp.Poll[bool](`document.getElementById("waits").textContent === ""`))
	taken := elements(must(h.t, h.d.admin.REST("GET", "/v1/"+h.order+"/measurements", nil)), "measurements")
	if len(taken) != 1 {
		h.t.Fatalf("the reading arrived %d times", len(taken))
	}
	m, _ := taken[0].(map[string]any)
	read, _ := time.Parse(time.RFC3339Nano, text(m, "measureTime"))
	kept, _ := time.Parse(time.RFC3339Nano, text(m, "createTime"))
	entered, _ := m["entered"].(map[string]any)
	if text(entered, "text") != "262,5" || !read.Before(h.d.now) || kept.Before(h.d.now) {
		h.t.Errorf("the reading is %v, read %v and recorded %v", entered, read, kept)
	}
	if first := h.step(0); text(first, "state") != "DONE" || text(first, "performer") != "people/mina" {
		h.t.Errorf("the step is %v", first)
	}
}

// step is a step as the suite has it.
func (h *hangar) step(i int) map[string]any {
	h.t.Helper()
	step, _ := elements(must(h.t, h.d.admin.REST("GET", "/v1/"+h.order+"/steps", nil)), "steps")[i].(map[string]any)
	return step
}

// meanwhile Mina says without a network that step 2 is done, and Ola does it.
func (h *hangar) meanwhile() {
	h.t.Helper()
	h.says("2 of 3")
	h.b.Network(false)
	h.b.Do(chromedp.WaitVisible(chromedp.CSS("#offline")))
	harness.Value(h.b, chromedp.Poll[bool](`(() => {
		const note = document.getElementById("note"), done = [...document.querySelectorAll("#work button")].find((b) => b.textContent === "Step 2 is done" && !b.disabled && !b.closest("[inert]"));
		if (!note || !done) return false;
		note.value = "Seen by torch";
		done.click();
		return true;
	})()`))
	h.says("3 of 3")
	h.told("1 waiting to be sent")
	if shut := harness.Value(h.b, chromedp.Evaluate[bool](`document.getElementById("starter-on").disabled`)); !shut {
		h.t.Error("the starter may be switched on though no limits of it are known")
	}
	second := h.step(1)
	must(h.t, h.as("ola").REST("POST", "/v1/"+text(second, "name")+":complete", map[string]any{"etag": second["etag"], "note": "Done by Ola"}))
	h.b.Network(true)
	h.told("1 entry needs your eyes")
	if second := h.step(1); text(second, "performer") != "people/ola" || text(second, "note") != "Done by Ola" {
		h.t.Errorf("what Ola did is now %v", second)
	}
}

// decides looks at both, tries once more in vain, and takes the entry back; nothing is signed as long as it waits.
func (h *hangar) decides() {
	h.t.Helper()
	if shown := h.b.Text("#work"); strings.Contains(shown, "You sign exactly this") {
		h.t.Errorf("something can be signed while an entry waits: %s", shown)
	}
	h.b.Do(chromedp.Click(chromedp.CSS("#waits a")), chromedp.WaitVisible(chromedp.CSS(".decide")))
	h.b.Picture("waiting-refused")
	shown := h.b.Text("main")
	for _, words := range []string{"Step 2 is done", "Seen by torch", "DONE, ola"} {
		if !strings.Contains(shown, words) {
			h.t.Errorf("what needs eyes does not show %q: %s", words, shown)
		}
	}
	redrawn(h.b, ".decide", chromedp.Click(chromedp.CSS(".decide > button")))
	h.told("1 entry needs your eyes")
	h.b.Do(chromedp.Click(chromedp.CSS(".decide summary")), chromedp.Click(chromedp.CSS(".decide details button")))
	harness.Value(h.b, chromedp.Poll[bool](`document.getElementById("waits").textContent === "" && document.querySelector(".decide") === null`))
}

// Entries belong to who made them: another person on the same telephone neither sees nor sends them, and who made them sends them after a sign-in.
func TestWaitingEntriesAreTheirPersons(t *testing.T) {
	d := atDesk(t)
	d.hire("ola", "Ola", "technician")
	h := &hangar{d: d, bench: &bench{t: t, b: harness.OpenBrowser(t, 390, 844), stage: d.stage}}
	h.planned(d.stage.SignIn(t, "mina"))
	h.b.Do(chromedp.Navigate(d.stage.URL("/")))
	h.be("mina")
	h.starts()
	h.b.Network(false)
	h.press("I have read this", "kept on this device")
	// The session ends elsewhere while the telephone has no connection.
	d.pass(13 * time.Hour)
	h.b.Network(true)
	h.b.Do(chromedp.WaitVisible(chromedp.CSS("#login")))
	h.be("ola")
	if waits := h.b.Text("#waits"); waits != "" {
		t.Errorf("Ola is shown %q", waits)
	}
	acknowledged := func() string {
		first, _ := elements(must(t, d.stage.SignIn(t, "mina").REST("GET", "/v1/"+h.order+"/steps", nil)), "steps")[0].(map[string]any)
		return text(first, "acknowledger")
	}
	if by := acknowledged(); by != "" {
		t.Errorf("as Ola the entry was sent for %q", by)
	}
	h.be("mina")
	harness.Value(h.b, chromedp.Poll[bool](`document.querySelector("#read-supply") !== null && document.getElementById("waits").textContent === ""`))
	if by := acknowledged(); by != "people/mina" {
		t.Errorf("after the sign-in the entry was sent for %q", by)
	}
}

// An engine that nothing was read of has a page that says what comes next, on a telephone and on a desk.
func TestAnEngineWithoutReadingsHasAPage(t *testing.T) {
	d := atDesk(t)
	d.order(d.stage.SignIn(t, "mina"))
	b := harness.OpenBrowser(t, 1280, 844)
	b.Do(chromedp.Navigate(d.stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")), chromedp.SendKeys(chromedp.CSS("#login"), "mina"),
		chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))
	shown := open(t, b, d.stage, "engine/e1", "Engine E1")
	for _, words := range []string{"No reading of this engine yet", "inv-6 has no data yet", "What is due on it", "Look "} {
		if !strings.Contains(shown, words) {
			t.Errorf("the engine's page does not show %q: %s", words, shown)
		}
	}
	inert(t, b, "engine/e1", "E1 "+image)
	if shown := open(t, b, d.stage, "nowhere", "No such page"); !strings.Contains(shown, "Go to") {
		t.Errorf("an address of nothing: %s", shown)
	}
}
