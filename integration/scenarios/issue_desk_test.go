package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// The times between keys: of most scanners, and of a person, which is that of a slow scanner too.
const (
	scannersPace = 8 * time.Millisecond
	personsPace  = 60 * time.Millisecond
)

// keys types a text into what has the keys and ends with Enter. Each key bears the time at which it was pressed, so that the pace is the same on a machine that
// takes long to hand it over.
func keys(b *harness.Browser, text string, pace time.Duration) {
	at := harness.Value(b, chromedp.Evaluate[float64](`Date.now() / 1000`))
	for _, key := range text + "\r" {
		b.Do(chromedp.KeyEvent(string(key), func(p *input.DispatchKeyEventParams) { p.Timestamp = input.TimeSinceEpoch(at) }))
		at += pace.Seconds()
	}
}

// scan types a code as a scanner does. Nothing is clicked, and no box is chosen.
func scan(b *harness.Browser, code string) { keys(b, code, scannersPace) }

// says waits until the desk says something, and returns all of it.
func says(b *harness.Browser, words string) string {
	harness.Value(b, chromedp.Poll[bool](`document.getElementById("said").textContent.includes("`+words+`")`))
	return b.Text("#said")
}

// focused is the id of what has the keys.
func focused(b *harness.Browser) string {
	return harness.Value(b, chromedp.Evaluate[string](`document.activeElement.id`))
}

// Checks STO-01 and STO-02: a whole issue with keys only is two scans and an amount, and after each the next scan has its box; a
// scan while an amount is asked for is refused in words and hands nothing out.
func TestTheIssueDeskNeedsNoMouse(t *testing.T) {
	stage, _ := retold(t)
	clerk := stage.SignIn(t, "stores")
	order := scheduled(t, stage.SignIn(t, "planner"))
	number := text(must(t, clerk.REST("GET", "/v1/"+order, nil)), "number")
	b := harness.OpenBrowser(t, 1280, 900)
	b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")), chromedp.SendKeys(chromedp.CSS("#login"), "stores"),
		chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))
	open(t, b, stage, "issue", "Issue desk")
	harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "scan"`))

	scan(b, "WO-NONE")
	if said := says(b, "WO-NONE"); !strings.HasPrefix(said, "✕") || !strings.Contains(said, "type its number") || focused(b) != "scan" {
		t.Errorf("an unknown order: %q, the keys go to %q", said, focused(b))
	}
	scan(b, number)
	says(b, "Scan what goes out")
	for _, what := range []string{"cleaner", "water"} {
		handOut(t, b, clerk, order, what)
	}
	scan(b, code(t, clerk, "lots/cleaner-old"))
	old := must(t, clerk.REST("GET", "/v1/lots/cleaner-old", nil))
	if said := says(b, "2026-09-08"); !strings.HasPrefix(said, "✕") || focused(b) != "scan" || !strings.Contains(said, text(old, "shortCode")+" (") {
		t.Errorf("an expired lot: %q", said)
	}
	named(t, b)
	b.Picture("issue-desk-refused")
	for _, d := range elements(must(t, clerk.REST("GET", "/v1/stockDemands?filter=work_order%3D%22"+order+"%22", nil)), "stockDemands") {
		if demand, _ := d.(map[string]any); text(demand, "state") != "ISSUED" {
			t.Errorf("demand %v", demand)
		}
	}
	onItsOwnPage(t, stage, b, clerk)
}

// named checks that the desk names lots and items as people do: by item, manufacturer's batch and short code, never by a resource name.
func named(t *testing.T, b *harness.Browser) {
	t.Helper()
	shown := b.Text("main")
	for _, name := range []string{"lots/", "items/", "locations/"} {
		if at := strings.Index(shown, name); at >= 0 {
			t.Errorf("the desk names a thing by its resource name: …%.90s", shown[max(0, at-40):])
		}
	}
}

// code is the short code of a lot.
func code(t *testing.T, clerk *harness.Person, lot string) string {
	t.Helper()
	return text(must(t, clerk.REST("GET", "/v1/"+lot, nil)), "shortCode")
}

// handOut issues what an order needs of an item: its lot is scanned, then by mistake it and other things a second time, by scanners that are fast and slow, and the
// amount is confirmed. Digits alone are the code of our lot that 2222263 names, and an article number of a supplier (EAN-13).
func handOut(t *testing.T, b *harness.Browser, clerk *harness.Person, order, item string) {
	t.Helper()
	issues := func() int {
		return len(elements(must(t, clerk.REST("GET", "/v1/stockMovements?filter=kind%3D%22ISSUED%22%20AND%20work_order%3D%22"+order+"%22", nil)), "stockMovements"))
	}
	before := issues()
	claims := elements(must(t, clerk.REST("GET", "/v1/reservations?filter=work_order%3D%22"+order+"%22%20AND%20item%3D%22items%2F"+item+"%22", nil)), "reservations")
	claim, _ := claims[0].(map[string]any)
	known := must(t, clerk.REST("GET", "/v1/"+text(claim, "lot"), nil))
	lot, batch := text(known, "shortCode"), "batch "+text(known, "manufacturerLot")
	if item == "water" { // from the still
		batch = "made here"
	}
	scan(b, lot)
	harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "amount"`))
	shown := b.Text("#handout")
	if caution, amount := strings.Index(shown, "H319"), strings.Index(shown, "Amount, L"); item == "cleaner" && (caution < 0 || amount < caution) {
		t.Errorf("no hazard before the amount: %s", shown)
	}
	if heading := b.Text("#handout h3"); !strings.Contains(heading, batch+", code "+lot) {
		t.Errorf("the thing is called %q; it is %q and its code %s", heading, batch, lot)
	}
	named(t, b)
	asked := harness.Value(b, chromedp.Evaluate[string](`document.getElementById("amount").value`))
	b.Picture("issue-desk-" + item)
	for _, late := range []struct {
		typed string
		pace  time.Duration
	}{{lot, scannersPace}, {"47114", scannersPace}, {lot, personsPace}, {"0." + lot, personsPace}, {"2222263", personsPace}, {"4006381333931", personsPace}} {
		keys(b, late.typed, late.pace)
		if said := says(b, "“"+late.typed+"” is no amount"); focused(b) != "amount" || issues() != before {
			t.Errorf("a scan of %q, a key each %s, while an amount is asked for: %q, the keys go to %q, %d issues", late.typed, late.pace, said, focused(b), issues()-before)
		}
	}
	keys(b, asked, personsPace)
	if said := says(b, "went out"); !strings.Contains(said, asked+" L of "+lot+" (") || !strings.Contains(said, batch+")") || issues() != before+1 {
		t.Errorf("issued: %q, %d movements", said, issues()-before)
	}
	harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "scan"`))
}

// onItsOwnPage takes a lot through what can be done with it: part of an issue comes back, and never more than went out; a count is blind; it is put aside with a
// reason, and called back with what it reached said first.
func onItsOwnPage(t *testing.T, stage *harness.Stage, b *harness.Browser, stores *harness.Person) {
	t.Helper()
	c := clerk{t, b}
	open(t, b, stage, "lot/cleaner-a", "Lot ")
	c.presses("It came back")
	back := harness.Value(b, chromedp.Evaluate[string](`document.querySelector('details[open] form[id^="back-"]').id`))
	c.types(back+"-much", "99")
	c.pastes(back+"-why", "Sealed, unused")
	c.presses("Take it back")
	c.waitFor(`[...document.querySelectorAll("details[open] .refusal")].some((r) => r.textContent.includes("99"))`)
	c.types(back+"-much", "0,1")
	c.presses("Take it back")
	c.shows("It is taken back.", "RETURNED")
	open(t, b, stage, "lot/cleaner-b", "Lot ")
	c.shows("20 L on hand.", "H319")
	c.presses("Count it")
	c.waitFor(`!document.getElementById("books").offsetParent`)
	c.types("count-much", "19.5")
	c.pastes("count-why", "A container leaks")
	c.presses("Enter the count")
	c.shows("The books had 20 L, a difference of -0.5 L: another person posts it.", "Counts that another person posts")
	c.presses("Put it aside")
	c.types("hold-why", "A container leaks")
	b.Picture("lot")
	c.waitFor(`(() => { const b = document.querySelector("#hold-form button"); b.click(); return true; })()`)
	c.shows("Held: A container leaks", "◐ HELD")
	c.presses("Call it back")
	c.shows("It reached nothing else yet")
	c.types("recall-why", "The supplier, by its letter of today")
	c.waitFor(`(() => { const b = document.querySelector("#recall-form button"); b.click(); return true; })()`)
	c.shows("It is called back", "■ RECALLED")
	if state := text(must(t, stores.REST("GET", "/v1/lots/cleaner-b", nil)), "state"); state != "RECALLED" {
		t.Errorf("the lot is %s", state)
	}
}
