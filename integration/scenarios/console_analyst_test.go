package scenarios

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// The analyst's day at the console: how an engine stands with what speaks for and against each cause, what its wash came to, the sums of one reading, a
// table of readings that is checked before it is taken, and readings that wait for somebody to look at them. What was released is entered into the owner's
// record, which until then speaks against the aircraft.
func TestTheAnalystsDay(t *testing.T) {
	stage := harness.OneProcess(t)
	out := play(t, stage, nil)
	if err := stage.SetClock(lastTouched(t, stage, out.WorkOrder).Add(90 * 24 * time.Hour)); err != nil {
		t.Fatal(err)
	}
	c := clerk{t, harness.OpenBrowser(t, 1280, 900)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "analyst", "Engines")
	id := strings.TrimPrefix(out.Engine, "engines/")
	open(t, c.b, stage, "engine/"+id, "Engine DEMO-4711")
	c.shows("How it stands", "ITT above a clean engine", "Margin to the ITT limit", "Changes that dirt does not explain", "RECOVERED", "ITT's step", "before,")
	c.b.Picture("analyst-engine")
	c.redoes(id)
	c.imports(stage)
	c.decides(stage)
	open(t, c.b, stage, "exceedances", "Exceedances")
	c.shows("a licensed person signs it")
	c.exceeds(stage)
	c.begins(stage, "planner", "Due list")
	c.enters(stage)
}

// redoes follows a reading to its sums: every line says how it came about and where its rule is from.
func (c clerk) redoes(id string) {
	c.t.Helper()
	c.waitFor(`(() => { const a = document.querySelector('td a[href^="#/reading/` + id + `/"]'); if (a) a.click(); return Boolean(a); })()`)
	c.shows("As it was entered", "The sums, by")
	c.b.Picture("analyst-sums")
	if bare := harness.Value(c.b, chromedp.Evaluate[int](`document.querySelectorAll("main table")[1].querySelectorAll("tbody tr").length`)); bare < 8 {
		c.t.Errorf("the sums have %d lines", bare)
	}
	unsaid := harness.Value(c.b, chromedp.Evaluate[int](`[...document.querySelectorAll("main table")[1].querySelectorAll("tbody tr")]
		.filter((r) => r.cells[2].textContent === "–" || r.cells[3].textContent === "–").length`))
	if unsaid > 0 {
		c.t.Errorf("%d lines don't say how they come about", unsaid)
	}
}

// imports checks a table with a good row, one that is no number and one whose air is in the wrong unit: nothing is taken by the check, and taking takes the
// good one and holds the odd one.
func (c clerk) imports(stage *harness.Stage) {
	c.t.Helper()
	before := readingsOf(c.t, stage)
	file := filepath.Join(c.t.TempDir(), "log.csv")
	table := "engine_serial,time_utc,phase,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours\n" +
		"DEMO-4711,2026-12-01T09:00:00Z,cruise,8000,0,140,1450,1700,94,650,300,\n" +
		"DEMO-4711,2026-12-01T10:00:00Z,cruise,8000,warm,140,1450,1700,94,650,300,\n" +
		"DEMO-4711,2026-12-01T11:00:00Z,cruise,8000,86,140,1450,1700,94,650,300,\n"
	if err := os.WriteFile(file, []byte(table), 0o600); err != nil {
		c.t.Fatal(err)
	}
	open(c.t, c.b, stage, "import", "Import readings")
	c.presses("Check the file; nothing is taken yet")
	c.shows("Choose a file first.")
	c.b.Do(chromedp.SetUploadFiles(chromedp.CSS("#import-file"), []string{file}))
	c.presses("Check the file; nothing is taken yet")
	c.shows("Checked: nothing is taken yet", "3 rows: 2 new readings", "are held as implausible", "✕ not taken", "How the columns were understood", "Take the 2 new readings")
	c.b.Picture("analyst-import")
	if now := readingsOf(c.t, stage); now != before {
		c.t.Errorf("the check took %d readings", now-before)
	}
	c.presses("Take the 2 new readings")
	c.shows("2 new readings taken", "Look at the held readings")
	if now := readingsOf(c.t, stage); now != before+2 {
		c.t.Errorf("%d readings were taken, want 2", now-before)
	}
}

func readingsOf(t *testing.T, stage *harness.Stage) int {
	t.Helper()
	const late = `/v1/engines/demo-4711/readings?pageSize=1000&filter=read_time%3E%222026-11-30T00:00:00Z%22`
	return len(elements(must(t, stage.SignIn(t, "analyst").REST("GET", late, nil)), "readings"))
}

// decides leaves a held reading out, which needs its reason.
func (c clerk) decides(stage *harness.Stage) {
	c.t.Helper()
	open(c.t, c.b, stage, "held", "Held readings")
	waits := harness.Value(c.b, chromedp.Evaluate[int](`document.querySelectorAll("main tbody tr").length`))
	c.presses("Decide")
	c.presses("It is wrong: leave it out")
	c.waitFor(`[...document.querySelectorAll(".refusal")].some((r) => r.textContent.includes("reason"))`)
	c.b.Picture("analyst-held")
	why := harness.Value(c.b, chromedp.Evaluate[string](`document.querySelector("main details[open] input").id`))
	c.fills(why, "The air temperature was typed in the wrong unit")
	c.presses("It is wrong: leave it out")
	c.shows("The reading is left out. It stays visible.")
	if left := harness.Value(c.b, chromedp.Evaluate[int](`document.querySelectorAll("main tbody tr").length`)); left != waits-1 {
		c.t.Errorf("%d readings wait, there were %d", left, waits)
	}
}

// enters says that a release stands in the owner's record, on a telephone.
func (c clerk) enters(stage *harness.Stage) {
	c.t.Helper()
	c.b.Do(chromedp.EmulateViewport(390, 844))
	c.goes(stage, "entries", "Releases to enter")
	c.shows("Not entered yet", "WO-2026-0001")
	c.b.Picture("entries-telephone")
	c.presses("It is entered")
	c.presses("Record it")
	c.waitFor(`document.querySelector("[aria-invalid]") !== null`)
	c.waitFor(`(() => { const b = document.querySelector("[aria-invalid]"); b.value = "Log book 4, page 12"; return true; })()`)
	c.presses("Record it")
	c.shows("is recorded as entered", "Log book 4, page 12", "Every release is entered.")
}

// exceeds holds a trace against a chart, which shows its cautions above the picture and records nothing, and enters an exceedance that was seen. A sample that is
// none is refused at its field.
func (c clerk) exceeds(stage *harness.Stage) {
	c.t.Helper()
	c.presses("Hold a trace against a chart")
	c.pastes("trace-samples", "0; 650\n2; hot")
	c.presses("Hold it against the chart; nothing is recorded")
	c.atField("trace-samples", "is no sample")
	c.pastes("trace-samples", "seconds; ITT\n0; 650\n2; 880\n4; 905,5\n8; 900\n12; 840\n20; 800")
	c.presses("Hold it against the chart; nothing is recorded")
	c.waitFor(`(() => {
		const p = document.querySelector("#judgement .picture"), first = document.querySelector("#judgement .caution");
		return Boolean(p) && p.naturalWidth > 100 && p.alt.includes("905.5") && first.compareDocumentPosition(p) === Node.DOCUMENT_POSITION_FOLLOWING;
	})()`)
	c.shows("It goes beyond the chart once", "Do not fly the engine")
	c.b.Picture("exceedance-drawn")
	analyst := stage.SignIn(c.t, "analyst")
	const list = "/v1/engines/demo-4711/engineExceedances"
	before := len(elements(must(c.t, analyst.REST("GET", list, nil)), "engineExceedances"))
	c.presses("Enter one that was seen")
	c.presses("Record the exceedance")
	c.atField("seen-engine", "Choose the engine")
	c.picks("seen-engine", "engines/demo-4711")
	c.pastes("seen-time", "2026-11-20T09:30:00")
	c.pastes("seen-trace", "0 650\n2 880\n4 905,5\n8 900\n12 840\n20 800")
	c.pastes("seen-note", "Start at the hangar, seen on the gauge")
	c.presses("Record the exceedance")
	c.shows("■ OPEN", "Inspect the hot section (demonstration only).")
	if after := len(elements(must(c.t, analyst.REST("GET", list, nil)), "engineExceedances")); after != before+1 {
		c.t.Errorf("%d exceedances were recorded, want one", after-before)
	}
	c.presses("Its picture")
	c.waitFor(`(() => { const p = document.querySelector("td .picture"); return Boolean(p) && p.naturalWidth > 100 && p.alt.includes("905.5"); })()`)
	c.b.Picture("exceedance-recorded")
	c.b.Do(chromedp.EmulateViewport(390, 844))
	c.urgentFirst(stage)
	c.b.Do(chromedp.EmulateViewport(1280, 900))
}

// urgentFirst sees on a telephone that an open exceedance stands before everything else of its engine, and that the chart's words can be read there.
func (c clerk) urgentFirst(stage *harness.Stage) {
	c.t.Helper()
	harness.Value(c.b, chromedp.Evaluate[bool](`(window.noticed = false, (async () => {
		while (!(await (await fetch("/v1/engines/demo-4711/assessment")).json()).exceedanceNotice);
		window.noticed = true;
	})(), true)`))
	c.waitFor(`window.noticed`)
	open(c.t, c.b, stage, "engine/demo-4711", "Engine DEMO-4711")
	c.waitFor(`(() => { const e = document.getElementById("exceeded"); return Boolean(e) && e.getBoundingClientRect().bottom + scrollY < innerHeight; })()`)
	c.waitFor(`(() => { const t = document.querySelector("svg text"); return Boolean(t) && t.getBoundingClientRect().height >= 11; })()`)
	if wide := harness.Value(c.b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); wide {
		c.t.Error("the engine's page is wider than the telephone")
	}
	c.b.Picture("engine-exceeded-telephone")
}
