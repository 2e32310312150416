package scenarios

import (
	"encoding/base64"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/suite/story"
)

// The pages of planners and quality show what the API says: what is due with every line of its arithmetic, the status on a date with both
// times, the lists, the evidence, and a record pack that is made and taken away in the browser and verifies. On a telephone no page is wider
// than the screen.
func TestConsoleOfPlannersAndQuality(t *testing.T) {
	stage, out := retold(t)
	quality := stage.SignIn(t, "quality")
	b := harness.OpenBrowser(t, 1280, 900)
	b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")), chromedp.SendKeys(chromedp.CSS("#login"), "quality"),
		chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))

	items := elements(must(t, quality.REST("GET", "/v1/dueItems", nil)), "dueItems")
	first, _ := items[0].(map[string]any)
	open(t, b, stage, "due", "Due list")
	b.Do(chromedp.Click(chromedp.CSS("main details summary")))
	harness.Value(b, chromedp.Poll[bool](`document.querySelector("main details ol li") !== null`))
	explained := must(t, quality.REST("GET", "/v1/"+text(first, "name")+":explain", nil))
	for _, line := range elements(explained, "lines") {
		if shown := b.Text("main details"); !strings.Contains(shown, line.(string)) {
			t.Errorf("the explanation lacks %q: %s", line, shown)
		}
	}
	b.Picture("due-explained")
	for band, want := range map[string]bool{text(first, "band"): true, "OVERDUE": text(first, "band") == "OVERDUE"} {
		if shown := onPage(t, b, stage, "due?band="+band, "Due list"); strings.Contains(shown, text(first, "requirementTitle")) != want {
			t.Errorf("filtered by %s: %s", band, shown)
		}
	}
	on := url.QueryEscape(out.Engine)
	status := must(t, quality.REST("GET", "/v1/complianceStatus?subject="+on, nil))
	shown := onPage(t, b, stage, "status?subject="+on, "Status on a date")
	for _, s := range elements(status, "requirementStatuses") {
		if one, _ := s.(map[string]any); !strings.Contains(shown, text(one, "requirementTitle")) {
			t.Errorf("the status lacks %v: %s", one, shown)
		}
	}
	if !strings.Contains(shown, "true at") || !strings.Contains(shown, "as known at") {
		t.Errorf("the status does not name both times: %s", shown)
	}
	b.Do(chromedp.Click(chromedp.CSS("main > button")))
	harness.Value(b, chromedp.Poll[bool](`location.hash === "#/packs" && document.querySelector("main td a[download]") !== null`))
	takenAway(t, b, elements(must(t, quality.REST("GET", "/v1/recordPacks", nil)), "recordPacks"))
	for name, heading := range map[string]string{"directives": "Directives", "lives": "Life limits", "done": "Last done, next due", "findings": "Open findings"} {
		if shown := onPage(t, b, stage, name, heading); !strings.Contains(shown, "CSV XLSX PDF") {
			t.Errorf("%s: %s", name, shown)
		}
		exported(t, b, name)
	}
	evidence := "evidence?requirement=" + url.QueryEscape(text(first, "requirement")) + "&subject=" + url.QueryEscape(text(first, "subject"))
	if shown := onPage(t, b, stage, evidence, "Evidence"); !strings.Contains(shown, text(first, "requirementTitle")) {
		t.Errorf("evidence: %s", shown)
	}
	printed(t, b, stage, text(first, "requirementTitle"))
	b.Do(chromedp.EmulateViewport(390, 844))
	for name, heading := range map[string]string{
		"due": "Due list", "status?subject=" + on: "Status on a date", "directives": "Directives", "lives": "Life limits", "done": "Last done", "findings": "Open findings",
		evidence: "Evidence", "packs": "Record packs",
	} {
		onPage(t, b, stage, name, heading)
		if wide := harness.Value(b, chromedp.Evaluate[int](`document.documentElement.scrollWidth - innerWidth`)); wide > 0 {
			t.Errorf("on a telephone %s is %d px wider than the screen", name, wide)
		}
	}
}

// onPage goes to a page whose address asks for something, and keeps a picture under the page's name and width.
func onPage(t *testing.T, b *harness.Browser, stage *harness.Stage, address, heading string) string {
	t.Helper()
	b.Do(chromedp.Navigate("about:blank"), chromedp.Navigate(stage.URL("/#/"+address)), chromedp.WaitVisible(chromedp.CSS("main h2")))
	harness.Value(b, chromedp.Poll[bool](`document.querySelector("main h2").textContent.startsWith("`+heading+`")`))
	name, _, _ := strings.Cut(address, "?")
	if harness.Value(b, chromedp.Evaluate[int](`innerWidth`)) < 500 {
		name += "-telephone"
	}
	b.Picture("planning-" + name)
	if said := b.Text("#message"); said != "" {
		t.Errorf("%s says %q", address, said)
	}
	return b.Text("main")
}

// takenAway follows the link of the newest pack as the browser does, and verifies what comes with the key that the page shows.
func takenAway(t *testing.T, b *harness.Browser, packs []any) {
	t.Helper()
	b.Picture("planning-packs")
	harness.Value(b, chromedp.Evaluate[bool](`window.file = ""; fetch(document.querySelector("main td a[download]").href).then((a) => a.blob()).then((f) => {
		const r = new FileReader(); r.onload = () => { window.file = r.result.split(",")[1]; }; r.readAsDataURL(f); }); true`))
	harness.Value(b, chromedp.Poll[bool](`window.file !== ""`))
	content, err := base64.StdEncoding.DecodeString(harness.Value(b, chromedp.Evaluate[string](`window.file`)))
	if err != nil {
		t.Fatal(err)
	}
	pack, _ := packs[0].(map[string]any)
	if shown := b.Text("main"); !strings.Contains(shown, text(pack, "number")) || !strings.Contains(shown, text(pack, "publicKey")) {
		t.Errorf("packs: %s", shown)
	}
	if r := recordpack.Verify(content, text(pack, "publicKey")); len(r.Faults) > 0 || r.Number != text(pack, "number") {
		t.Errorf("%v", r)
	}
}

// exported follows each link under a list.
func exported(t *testing.T, b *harness.Browser, name string) {
	t.Helper()
	got := harness.Value(b, chromedp.Evaluate[string](`[...document.querySelectorAll(".take a")].map((a) => {
		const asked = new XMLHttpRequest();
		asked.open("GET", a.href, false);
		asked.send();
		return asked.status + " " + asked.getResponseHeader("Content-Type").split(";")[0];
	}).join(", ")`))
	if want := "200 text/csv, 200 application/vnd.openxmlformats-officedocument.spreadsheetml.sheet, 200 application/pdf"; got != want {
		t.Errorf("%s is exported as %s", name, got)
	}
}

// printed prints the due list: the table is on the paper, the navigation is not.
func printed(t *testing.T, b *harness.Browser, stage *harness.Stage, words string) {
	t.Helper()
	onPage(t, b, stage, "due", "Due list")
	paper := harness.Value(b, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	said := printingtest.Text(t, paper)
	if strings.Contains(said, "Issue desk") || strings.Contains(said, "Sign out") {
		t.Errorf("on paper stands what only a screen is for: %s", said)
	}
	for word := range strings.FieldsSeq(words) { // a column may break them
		if !strings.Contains(said, word) {
			t.Errorf("on paper %q is missing: %s", word, said)
		}
	}
}
