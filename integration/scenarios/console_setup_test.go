package scenarios

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// shop is a suite with nothing in it but one person who may enter everything.
func shop(t *testing.T, stage *harness.Stage) *harness.Person {
	t.Helper()
	admin := administrator(t, stage)
	must(t, admin.REST("POST", "/v1/people?personId=head", map[string]any{"displayName": "Head of the shop"}))
	account := must(t, admin.REST("POST", "/v1/accounts?accountId=head", map[string]any{
		"login": "head", "displayName": "Head of the shop", "person": "people/head", "roles": []string{"planner", "stores", "analyst", "technician"}, "kind": "HUMAN",
	}))
	token := text(must(t, admin.REST("POST", "/v1/"+text(account, "name")+":invite", map[string]any{})), "token")
	must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
	return stage.SignIn(t, "head")
}

// types puts a text into a box in place of what is there.
func (c clerk) types(id, text string) {
	c.t.Helper()
	c.waitFor(`(() => { const box = document.getElementById("` + id + `"); if (!box || !box.offsetParent) return false;
		box.value = ""; box.focus(); return document.activeElement === box; })()`)
	c.b.Do(chromedp.SendKeys(chromedp.CSS("#"+id), text))
}

// picks chooses an option by its value.
func (c clerk) picks(id, value string) {
	c.t.Helper()
	c.waitFor(`(() => { const s = document.getElementById("` + id + `"); if (!s) return false; s.value = "` + value + `";
		s.dispatchEvent(new Event("change", { bubbles: true })); return s.value === "` + value + `"; })()`)
}

// goes opens a page of the console and looks at it: nothing of it is wider than a telephone, and all that is pressed or typed into has a name.
func (c clerk) goes(stage *harness.Stage, page, heading string) {
	c.t.Helper()
	open(c.t, c.b, stage, page, heading)
	if wide := harness.Value(c.b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); wide {
		c.t.Errorf("%s is wider than the screen", page)
	}
	mute := harness.Value(c.b, chromedp.Evaluate[string](`[...document.querySelectorAll(":is(main, header) :is(input, select, textarea, button, summary, a)")]
		.filter((n) => !((n.labels && n.labels.length && n.labels[0].textContent.trim()) || n.getAttribute("aria-label") || n.textContent.trim()))
		.map((n) => n.outerHTML.slice(0, 80)).join("; ")`))
	if mute != "" {
		c.t.Errorf("%s has what a screen reader can't name: %s", page, mute)
	}
}

// atField is what is said at a field.
func (c clerk) atField(id, words string) {
	c.t.Helper()
	c.waitFor(`(() => { const b = document.getElementById("` + id + `"); return b && b.getAttribute("aria-invalid") === "true" &&
		document.getElementById("` + id + `-no").textContent.includes("` + words + `"); })()`)
}

// A new shop is set up at the console, on a telephone and without the API: the first page says what is missing and who enters it; what the service
// refuses stands at its field; and at the end nothing is missing that the first job needs of what was entered.
func TestAShopIsSetUpInTheBrowser(t *testing.T) {
	stage := harness.OneProcess(t)
	head := shop(t, stage)
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	enterAs(c.b, stage, "head")
	c.goes(stage, "setup", "Setting up")
	c.shows("▲ missing", "Next for you: A station", "Work is scheduled at one")
	c.b.Picture("setup-first")
	c.addsAStation(stage)
	c.outlivesTheSession(stage)
	c.addsAModel(stage)
	c.addsAnAircraftWithItsEngine(stage)
	c.addsItemsAndACard(stage)
	c.addsARequirement(stage, head)
	c.goes(stage, "setup", "Setting up")
	c.shows("Next for you: Readings")
	c.b.Picture("setup-later")
	for path, want := range map[string]string{
		"/v1/stations/north-hangar": "Europe/Oslo", "/v1/engines/sn-001": "engineModels/small-turbine",
		"/v1/engineModels/small-turbine":    "antifreezeBelowC:4 antifreezeCeilingC:4.4 antifreezeItem: antifreezeMarginC:6 antifreezeTable:map[antifreezeDensityKgL:1.11",
		"/v1/taskCards/rinse-by-our-manual": "Rinse", "/v1/items/demineralised-water": "WATER",
	} {
		if answer := must(t, head.REST("GET", path, nil)); !strings.Contains(fmt.Sprint(answer), want) {
			t.Errorf("%s does not say %q: %v", path, want, answer)
		}
	}
}

// addsAStation is refused a zone that there is none of, at its field, and corrects the station afterwards.
func (c clerk) addsAStation(stage *harness.Stage) {
	c.t.Helper()
	c.goes(stage, "stations", "Stations")
	c.presses("Add the station")
	c.atField("station-name", "")
	c.types("station-name", "North hangar")
	c.types("station-zone", "Atlantis/Deep")
	c.types("station-cold", "4 or 5")
	c.presses("Add the station")
	c.atField("station-cold", "is no number")
	c.types("station-cold", "4,5")
	c.presses("Add the station")
	c.atField("station-zone", "Atlantis/Deep")
	c.b.Picture("station-refused")
	c.types("station-zone", "Europe/Oslo")
	c.presses("Add the station")
	c.shows("North hangar is added.")
	c.presses("North hangar")
	c.types("station-power", "battery")
	c.presses("Save")
	c.shows("The station is changed.")
}

// addsAModel enters a model with a baseline that was pasted, and its wash data; a line that is no point is refused at its field.
func (c clerk) addsAModel(stage *harness.Stage) {
	c.t.Helper()
	c.goes(stage, "models", "Engine models")
	c.presses("Add a model")
	c.types("model-name", "Small turbine")
	c.types("model-document", "Invented manual, demonstration only")
	c.types("model-revision", "3")
	c.pastes("model-points", "0;15;0;1700;1700;650")
	c.presses("Add the model")
	c.atField("model-points", "has not the 8 numbers")
	c.pastes("model-points", strings.Join(baselinePoints(), "\n"))
	c.presses("Add the model")
	c.waitFor(`document.querySelector("main h2").textContent === "Small turbine"`)
	c.presses("Wash data")
	for id, text := range map[string]string{
		"wash-rinse": "2", "wash-rinses": "2", "wash-step": "0.01", "wash-flow": "0.1853", "wash-pressure": "262", "wash-delay": "5", "wash-margin": "2", "wash-dry-within": "60",
		"wash-starters": "battery 30/60", "wash-cold": "4", "wash-cold-margin": "6", "wash-floor": "-20",
	} {
		c.pastes(id, text)
	}
	c.presses("Make the next revision")
	c.atField("wash-starters", "does not say a power source")
	c.pastes("wash-starters", "battery: 30/60, 30/1800\nbattery, -40 to 5: 20/60")
	c.presses("Make the next revision")
	c.atField("wash-ceiling", "Antifreeze is needed at 4 °C and below, and forbidden above 0 °C")
	c.pastes("wash-ceiling", "4.4")
	c.antifreeze()
	c.b.Picture("model-wash")
	c.presses("Make the next revision")
	c.shows("Revision 2 is made.", "Antifreeze, as printed", "By Invented table, demonstration only, rev. B", "Needed at 4 °C and below, forbidden above 4.4 °C")
}

// antifreeze pastes a printed table of freezing points: a line that is no row and a table of no document are refused at their fields. Its numbers are invented.
func (c clerk) antifreeze() {
	c.t.Helper()
	c.pastes("af-rows", "by volume; freezing point\n30; −15,5; 32; 1.04\na third")
	c.presses("Make the next revision")
	c.atField("af-rows", "“a third” is no row of the table")
	c.pastes("af-rows", "by volume; freezing point\n30; −15,5; 32; 1.04\n40\t-24")
	c.presses("Make the next revision")
	c.atField("af-document", "Give the document in which the table is printed")
	c.pastes("af-document", "Invented table, demonstration only")
	c.presses("Make the next revision")
	c.atField("af-revision", "Give the revision")
	c.pastes("af-revision", "B")
	c.pastes("af-density", "1.11")
}

// baselinePoints are invented points of a clean engine, demonstration only.
func baselinePoints() (lines []string) {
	for _, altitude := range []string{"0", "1500", "3000", "4500"} {
		for _, oat := range []string{"-20", "0", "20"} {
			for i, torque := range []string{"1400", "1800", "2200"} {
				rest := [][3]string{{"620", "88", "120"}, {"660", "92", "150"}, {"700", "96", "180"}}[i]
				lines = append(lines, strings.Join([]string{altitude, oat, []string{"110", "135", "160"}[i], "1700", torque, rest[0], rest[1], rest[2]}, "\t"))
			}
		}
	}
	return lines
}

func (c clerk) pastes(id, text string) {
	c.t.Helper()
	c.waitFor(`(() => { const b = [...document.querySelectorAll("#` + id + `")].find((n) => n.offsetParent); if (!b) return false; b.value = ` + strconv.Quote(text) + `; return true; })()`)
}

// addsAnAircraftWithItsEngine enters both, fits the engine, and corrects its serial number, which asks why.
func (c clerk) addsAnAircraftWithItsEngine(stage *harness.Stage) {
	c.t.Helper()
	c.goes(stage, "aircraft", "Aircraft")
	c.types("aircraft-registration", "X-TEST")
	c.types("aircraft-hours", "4120.5")
	c.presses("Add the aircraft")
	c.atField("aircraft-cycles", "0 when it is new")
	c.types("aircraft-cycles", "3900")
	c.presses("Add the aircraft")
	c.shows("X-TEST is added.")
	c.goes(stage, "engines", "Engines")
	c.types("engine-serial", "SN-001")
	c.types("engine-cycles", "1100")
	c.presses("Add the engine")
	c.atField("engine-hours", "0 when it is new")
	c.types("engine-hours", "1200")
	c.presses("Add the engine")
	c.atField("engine-model", "")
	c.picks("engine-model", "engineModels/small-turbine")
	c.presses("Add the engine")
	c.waitFor(`document.querySelector("main h2").textContent === "Engine SN-001"`)
	c.presses("Fit it to an aircraft")
	c.picks("fit-aircraft", "aircraft/x-test")
	c.types("fit-position", "left")
	c.presses("Fit it")
	c.shows("It is fitted")
	c.presses("Correct its serial number")
	c.types("engine-serial", "SN-0001")
	c.presses("Correct it")
	c.shows("serial_correction_reason")
	c.types("serial-why", "misread on the data plate")
	c.presses("Correct it")
	c.shows("Recorded before under SN-001", "misread on the data plate")
	c.b.Picture("engine-record")
	c.goes(stage, "aircraft/x-test", "Aircraft X-TEST")
	c.shows("no requirement is known to apply", "That is no permission to operate", "SN-0001")
}

// addsItemsAndACard enters what stores keep and how a rinse is done; a critical step that nobody looks at is refused.
func (c clerk) addsItemsAndACard(stage *harness.Stage) {
	c.t.Helper()
	for name, kind := range map[string]string{"Demineralised water": "WATER", "Cleaner A": "CLEANER"} {
		c.goes(stage, "items", "Items")
		c.presses("Add an item")
		c.types("item-name", name)
		c.picks("item-kind", kind)
		c.pastes("item-mix", "4 to 1")
		c.presses("Add the item")
		c.atField("item-mix", "is no ratio")
		c.pastes("item-mix", map[string]string{"CLEANER": "4:1"}[kind])
		c.waitFor(`(document.getElementById("item-forever").checked = true)`)
		c.presses("Add the item")
		c.shows(name + " is added.")
	}
	c.goes(stage, "places", "Places in stores")
	c.types("place-name", "Shelf 1")
	c.presses("Add the place")
	c.shows("Shelf 1 is added.")
	c.goes(stage, "cards", "Task cards")
	c.shows("▲ sample of the suite")
	c.presses("Add a card")
	c.types("card-name", "Rinse by our manual")
	c.picks("card-kind", "SALT_RINSE")
	c.types("card-document", "Invented manual, demonstration only")
	c.types("card-revision", "7")
	c.pastes("step-0-title", "Rinse the compressor")
	c.pastes("step-0-warnings", "Keep everybody out of the propeller's arc.")
	c.waitFor(`(document.getElementById("step-0-critical").checked = true)`)
	c.presses("Add the card")
	c.shows("nobody else looks at it afterwards")
	c.waitFor(`(document.getElementById("card-inspected").checked = true)`)
	c.presses("Another step")
	c.pastes("step-1-title", "Do the drying run")
	c.b.Picture("card-form")
	c.presses("Add the card")
	c.waitFor(`document.querySelector("main h2").textContent === "Rinse by our manual"`)
	c.shows("WARNING: Keep everybody out of the propeller's arc.", "Do the drying run", "revision 1")
}

// outlivesTheSession has the session end while a form is filled in: its person signs in over the page, nobody else can, and what was typed is sent once.
func (c clerk) outlivesTheSession(stage *harness.Stage) {
	c.t.Helper()
	c.goes(stage, "stations", "Stations")
	c.types("station-name", "South hangar")
	c.types("station-zone", "Europe/Oslo")
	c.types("station-power", "battery")
	harness.Value(c.b, chromedp.Evaluate[bool](`(window.ended = false, fetch("/v1/sessions/current").then((a) => a.json())
		.then((s) => fetch("/v1/sessions:signOut", { method: "POST", body: "{}",
			headers: { "Content-Type": "application/json", "X-CSRF-Token": s.csrfToken } })).then((a) => { window.ended = a.ok; }), true)`))
	c.waitFor(`window.ended`)
	c.presses("Add the station")
	for _, try := range []struct{ login, password, says string }{
		{"head", "not the passphrase", "password"}, {"admin", story.Password, "This page was filled in by Head of the shop"}, {"head", story.Password, ""},
	} {
		c.waitFor(`document.querySelector("dialog[open]") !== null`)
		c.types("again-login", try.login)
		c.types("again-password", try.password+"\r")
		if try.says != "" {
			c.waitFor(`document.querySelector("dialog .refusal").textContent.includes("` + try.says + `")`)
			c.b.Picture("session-ended-" + try.login)
		}
	}
	c.shows("South hangar is added.")
	if dialog := harness.Value(c.b, chromedp.Evaluate[bool](`document.querySelector("dialog") !== null`)); dialog {
		c.t.Error("the dialog stays")
	}
	c.goes(stage, "setup", "Setting up")
}
