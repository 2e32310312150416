package scenarios

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/suite/story"
)

// open goes to a page of the console and waits until that page is shown with its heading: the page before stands there until then, and may have a heading like it.
func open(t *testing.T, b *harness.Browser, stage *harness.Stage, page, heading string) string {
	t.Helper()
	address := stage.URL("/#/" + page)
	b.Do(chromedp.Navigate(address))
	harness.Value(b, chromedp.Poll[bool](fmt.Sprintf(`(() => {
		const shown = document.querySelector("main"), head = shown && shown.querySelector("h2"), asked = new URL(%q).hash;
		return Boolean(head) && location.hash === asked && shown.dataset.shows === asked && head.textContent.startsWith(%q);
	})()`, address, heading)))
	b.Picture(strings.ReplaceAll(page, "/", "-"))
	return b.Text("main")
}

// The console shows what the API says, to somebody who signed in and to nobody else.
func TestConsole(t *testing.T) {
	stage, out := retold(t)
	quality := stage.SignIn(t, "quality")
	b := harness.OpenBrowser(t, 1280, 900)

	b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")))
	b.Picture("sign-in")
	b.Do(chromedp.SendKeys(chromedp.CSS("#login"), "planner"), chromedp.SendKeys(chromedp.CSS("#password"), "wrong\r"))
	harness.Value(b, chromedp.Poll[bool](`document.getElementById("message").textContent !== ""`))
	if said := b.Text("#message"); !strings.Contains(said, "password") {
		t.Errorf("a wrong password answers %q", said)
	}
	b.Do(chromedp.SendKeys(chromedp.CSS("#password"), "\b\b\b\b\b"+story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))

	engines := must(t, quality.REST("GET", "/v1/assessments", nil))
	assessment, _ := elements(engines, "assessments")[0].(map[string]any)
	if shown := open(t, b, stage, "engines", "Engines"); !strings.Contains(shown, "DEMO-4711") || !strings.Contains(shown, text(assessment, "summary")) {
		t.Errorf("engines: %s", shown)
	}
	trend := must(t, quality.REST("GET", "/v1/"+out.Engine+"/trend", nil))
	if shown := open(t, b, stage, strings.Replace(out.Engine, "engines/", "engine/", 1), "Engine DEMO-4711"); !strings.Contains(shown, "RECOVERED") {
		t.Errorf("engine: %s", shown)
	}
	deviations := 0
	for _, p := range elements(trend, "points") {
		if point, _ := p.(map[string]any); point["deviation"] != nil {
			deviations++
		}
	}
	if dots := harness.Value(b, chromedp.Evaluate[int](`document.querySelectorAll("svg circle").length`)); dots != deviations || dots == 0 {
		t.Errorf("the chart has %d dots, the trend has %d deviations", dots, deviations)
	}
	if shown := open(t, b, stage, "orders", "Orders"); !strings.Contains(shown, "WO-2026-0001") || !strings.Contains(shown, "RELEASED") {
		t.Errorf("orders: %s", shown)
	}
	orderPages(t, b, stage, out.WorkOrder)
	items := elements(must(t, quality.REST("GET", "/v1/dueItems", nil)), "dueItems")
	shown := open(t, b, stage, "due", "Due list")
	for _, i := range items {
		if item, _ := i.(map[string]any); !strings.Contains(shown, text(item, "requirementTitle")) || !strings.Contains(shown, text(item, "explanation")) {
			t.Errorf("the due list does not show %v: %s", item, shown)
		}
	}
	if shown := open(t, b, stage, "shelf", "Shelf list"); !strings.Contains(shown, "19.6 L") || !strings.Contains(shown, "EXPIRED") {
		t.Errorf("shelf: %s", shown)
	}
	// Case G06: the separator of a scan survives the way through an address.
	read := must(t, quality.REST("GET", "/v1/lots:parseScan?code=%5Dd2010952123454321310LOT7A%1D17270131", nil))
	if text(read, "elementText") != "(01)09521234543213(10)LOT7A(17)270131" || text(read, "reason") != "ITEM_UNKNOWN" {
		t.Errorf("a scan with a separator: %v", read)
	}
	scanOnShelf(t, b, elements(must(t, quality.REST("GET", "/v1/lots", nil)), "lots"))
	calledAsPeopleDo(t, b, stage, out)
	b.Do(chromedp.EmulateViewport(390, 844))
	b.Do(chromedp.Navigate(stage.URL("/#/orders")), chromedp.WaitVisible(chromedp.CSS("main h2")))
	b.Picture("orders-telephone")
	if wide := harness.Value(b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); wide {
		t.Error("on a telephone the page is wider than the screen")
	}
}

// calledAsPeopleDo sees that pages say what people call things, in place of the ids and the units that programs know.
func calledAsPeopleDo(t *testing.T, b *harness.Browser, stage *harness.Stage, out story.Outcome) {
	t.Helper()
	order := strings.TrimPrefix(out.WorkOrder, "workOrders/")
	clerk{t, b}.waitFor(`(import("/dom.js").then((m) => { window.lengths = m.plainTimes("2m42.517s, 1h0m0s, 0s, 500ms"); }), window.lengths === "2 min 42.517 s, 1 h, 0 s, 500ms")`)
	for _, page := range []struct {
		page, heading string
		says, never   []string
	}{
		{"order/" + order, "Order", []string{"DEMO-101, left", "Skerry base", "2 min 42 s", "not shorter, at most 2 min longer"}, []string{"demo-101", "2m42s", "2m0s"}},
		{"engines", "Engines", []string{"DEMO-101, left"}, []string{"demo-101"}},
		{"engine/demo-4711", "Engine", []string{"Baseline: Demonstration turboprop"}, []string{"engineModels/"}},
		{"lot/blend-1", "Lot", []string{"Compressor cleaner, concentrate", "Demineralised water", "DEMO-4711", "Ines Kallio"}, []string{"demo-4711"}},
		{"item/cleaner", "Compressor cleaner", []string{"compressor cleaner"}, []string{"CLEANER"}},
		{"evidence?requirement=requirements%2Fwash&subject=engines%2Fdemo-4711", "Evidence", []string{"order WO-2026-0001", "Marta Oyelaran"}, []string{order}},
		{"entries", "Releases", []string{"DEMO-101"}, []string{"demo-101"}},
		{"models/demo-turboprop", "Demonstration turboprop", []string{"765 °C", "101.5 %"}, nil},
		{"setup", "Setting up", []string{"Entered by a planner, quality or an administrator."}, []string{"quality, an administrator"}},
	} {
		shown := open(t, b, stage, page.page, page.heading)
		for _, words := range page.says {
			if !strings.Contains(shown, words) {
				t.Errorf("%s does not say %q: %s", page.page, words, shown)
			}
		}
		for _, words := range page.never {
			if strings.Contains(shown, words) {
				t.Errorf("%s says %q: %s", page.page, words, shown)
			}
		}
	}
}

// orderPages looks at a released order, which has no next step and its plan beside what was done, and at a drafted one, which shows its first
// step under that step's cautions.
func orderPages(t *testing.T, b *harness.Browser, stage *harness.Stage, released string) {
	t.Helper()
	shown := open(t, b, stage, strings.Replace(released, "workOrders/", "order/", 1), "Order WO-2026-0001")
	for _, words := range []string{"No step is open", "Starter use", "as planned", "Work pack, PDF", "Fallback sheet"} {
		if !strings.Contains(shown, words) {
			t.Errorf("the released order does not show %q: %s", words, shown)
		}
	}
	onPaper(t, b, stage, released)
	drafted := text(must(t, stage.SignIn(t, "planner").REST("POST", "/v1/workOrders", `{"engine":"engines/demo-4711","taskCard":"taskCards/salt-rinse"}`)), "name")
	open(t, b, stage, strings.Replace(drafted, "workOrders/", "order/", 1), "Order WO-2026-0002")
	next := b.Text("#next")
	if warned, does := strings.Index(next, "WARNING: Hot exhaust"), strings.Index(next, "Compare with the cooling time"); warned < 0 || does < warned || !strings.Contains(next, "Next: 1 ") {
		t.Errorf("the next step: %s", next)
	}
	harness.Value(b, chromedp.Evaluate[bool](`window.pack = ""; fetch(document.querySelector("main p a[download]").href).then(async (a) =>
		{ window.pack = a.headers.get("Content-Type") + " " + (await a.text()).slice(0, 5); }); true`))
	harness.Value(b, chromedp.Poll[bool](`window.pack !== ""`))
	if pack := harness.Value(b, chromedp.Evaluate[string](`window.pack`)); pack != "application/pdf %PDF-" {
		t.Errorf("the link to the pack gives %q", pack)
	}
}

// onPaper prints an order: each page says which order it is, its number of all, and the hash of the newest signature (check QUA-08).
func onPaper(t *testing.T, b *harness.Browser, stage *harness.Stage, order string) {
	t.Helper()
	signed := elements(must(t, stage.SignIn(t, "quality").REST("GET", "/v1/"+order+"/signatures", nil)), "signatures")
	newest, _ := signed[len(signed)-1].(map[string]any)
	said := printingtest.Text(t, harness.Value(b, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4))))
	pages := strings.Count(said, "coldsection · Order WO-2026-0001 · printed ")
	if last := fmt.Sprintf("page %d of %d", pages, pages); pages < 2 || !strings.Contains(said, last) || !strings.Contains(said, fmt.Sprintf("page 1 of %d", pages)) {
		t.Errorf("the order is on %d pages, the last of which should be %q: %s", pages, last, said)
	}
	if hash := "SHA-256 " + text(newest, "contentHash"); strings.Count(said, hash) != pages {
		t.Errorf("%q is not on each of %d pages: %s", hash, pages, said)
	}
	if strings.Contains(said, "What can be done with it") || strings.Contains(said, "Sign out") {
		t.Errorf("on paper stands what only a screen is for: %s", said)
	}
}

// scanOnShelf types codes as a scanner does, one after the other, each ending with Enter, and touches nothing else.
func scanOnShelf(t *testing.T, b *harness.Browser, lots []any) {
	t.Helper()
	harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "scan"`))
	for _, l := range lots {
		lot, _ := l.(map[string]any)
		code := text(lot, "shortCode")
		b.Do(chromedp.KeyEvent(code + "\r"))
		harness.Value(b, chromedp.Poll[bool](`document.getElementById("scanned").textContent.includes("`+code+`")`))
		if said := b.Text("#scanned"); !strings.Contains(said, "ISSUE") || (text(lot, "state") != "USABLE" && !strings.Contains(said, "✕ ISSUE")) {
			t.Errorf("%s, %s: %s", code, text(lot, "state"), said)
		}
	}
	b.Picture("shelf-scanned")
	followed := harness.Value(b, chromedp.Evaluate[string](`(() => {
		const asked = new XMLHttpRequest();
		asked.open("GET", document.querySelector("td a[download]").href, false);
		asked.send();
		return [asked.status, asked.getResponseHeader("Content-Type"), asked.getResponseHeader("Content-Disposition"), asked.responseText.slice(0, 5)].join(" ");
	})()`))
	if !strings.HasPrefix(followed, "200 application/pdf inline; filename=label-") || !strings.HasSuffix(followed, ".pdf %PDF-") {
		t.Errorf("the link of a label leads to %q", followed)
	}
	b.Do(chromedp.Focus(chromedp.CSS("#scan")))
	b.Do(chromedp.KeyEvent("nonsense\r"))
	harness.Value(b, chromedp.Poll[bool](`document.getElementById("message").textContent.includes("nonsense")`))
	if left := harness.Value(b, chromedp.Evaluate[string](`document.getElementById("scanned").textContent + document.activeElement.id`)); left != "scan" {
		t.Errorf("after a bad scan the page shows %q", left)
	}
}

// The files of the console are served to read only, with a policy that lets them use this origin alone.
func TestConsoleFilesAreServedStrictly(t *testing.T) {
	stage := harness.OneProcess(t)
	for method, want := range map[string]int{"GET": 200, "HEAD": 200, "POST": 405} {
		req, err := http.NewRequestWithContext(t.Context(), method, stage.URL("/"), http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != want || !strings.HasPrefix(resp.Header.Get("Content-Security-Policy"), "default-src 'self'") {
			t.Errorf("%s: %d, policy %q", method, resp.StatusCode, resp.Header.Get("Content-Security-Policy"))
		}
	}
}

// The first administrator follows the one-time link that the program prints, and is in.
func TestTheFirstAdministratorFollowsTheLink(t *testing.T) {
	stage := harness.OneProcess(t)
	b := harness.OpenBrowser(t, 1280, 900)
	b.Do(chromedp.Navigate(stage.URL("/#/invitation/"+stage.Token())), chromedp.WaitVisible(chromedp.CSS("#password")),
		chromedp.SendKeys(chromedp.CSS("#password"), "short\r"))
	harness.Value(b, chromedp.Poll[bool](`document.getElementById("message").textContent.includes("12")`))
	b.Do(chromedp.SendKeys(chromedp.CSS("#password"), "\b\b\b\b\b"+story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))
	b.Picture("first-administrator")
	if shown := b.Text("#who"); !strings.Contains(shown, "Administrator") {
		t.Errorf("signed in as %q", shown)
	}
}

// The page of the API lists every operation and finds them by words.
func TestTheReferencePageFindsOperations(t *testing.T) {
	stage := harness.OneProcess(t)
	b := harness.OpenBrowser(t, 1280, 900)
	b.Do(chromedp.Navigate(stage.URL("/reference")), chromedp.WaitVisible(chromedp.CSS("details")),
		chromedp.SendKeys(chromedp.CSS("#find"), ":issue"), chromedp.Click(chromedp.CSS("summary")), chromedp.WaitVisible(chromedp.CSS("details table")))
	b.Picture("reference")
	shown := b.Text("main")
	for _, want := range []string{
		"POST /v1/lots/{lot}:issue", "overrideReason", `curl -H "Authorization: Bearer $TOKEN" "` + stage.URL("/v1/lots/demo:issue") + `" \`, `"unitCode": "L"`,
		"machine: A token for ten minutes", "Answer, invented for demonstration only",
	} {
		if !strings.Contains(shown, want) {
			t.Errorf("no %s in %s", want, shown)
		}
	}
}
