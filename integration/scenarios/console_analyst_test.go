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
	c.fills("why-0", "The air temperature was typed in the wrong unit")
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
