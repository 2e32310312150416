package scenarios

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// The questions of a receiving inspection, invented.
const seals, papers = "Are all seals whole?", "Do the papers name this batch?"

// dock is a suite with two clerks, a place for what waits and one for what is usable, and an item that is received with all there is to it.
func dock(t *testing.T) (stage *harness.Stage, clerk *harness.Person) {
	t.Helper()
	stage = harness.OneProcess(t)
	admin := administrator(t, stage)
	for _, login := range []string{"first", "second"} {
		must(t, admin.REST("POST", "/v1/people?personId="+login, map[string]any{"displayName": "Clerk " + login}))
		account := must(t, admin.REST("POST", "/v1/accounts?accountId="+login, map[string]any{
			"login": login, "displayName": "Clerk " + login, "person": "people/" + login, "roles": []string{"stores"}, "kind": "HUMAN",
		}))
		token := text(must(t, admin.REST("POST", "/v1/"+text(account, "name")+":invite", map[string]any{})), "token")
		must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
	}
	clerk = stage.SignIn(t, "first")
	for id, kind := range map[string]string{"dock": "HOLD_AREA", "shelf": "BIN"} {
		must(t, clerk.REST("POST", "/v1/locations?locationId="+id, map[string]any{"displayName": "The " + id, "kind": kind, "timeZone": "Europe/Oslo"}))
	}
	must(t, clerk.REST("POST", "/v1/items?itemId=wash", map[string]any{
		"displayName": "Wash concentrate, demonstration only", "kind": "CLEANER", "baseUnitCode": "L", "certificateRequired": true, "secondPersonClears": true,
		"receivingQuestions": []string{seals, papers}, "hazardStatements": []string{"H319 Causes serious eye irritation"}, "pictograms": []string{"GHS07"},
		"externalIds": map[string]string{"gtin": "09521234543213"}, "demonstrationOnly": true,
		"allowedUses": []any{map[string]any{"workKind": "RECOVERY_WASH", "engineModels": []string{"engineModels/inv-6"}, "document": map[string]any{"title": "INV-MAN 72", "revision": "4"}}},
	}))
	return stage, clerk
}

func enterAs(b *harness.Browser, stage *harness.Stage, login string) {
	b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")), chromedp.SendKeys(chromedp.CSS("#login"), login),
		chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("nav a")))
}

// A delivery is scanned, its inspection answered and its certificate kept by its hash; it is held until another person than who received it
// clears it, and each refusal is said in words.
func TestADeliveryIsReceivedAndClearedInTheBrowser(t *testing.T) {
	stage, clerk := dock(t)
	b := harness.OpenBrowser(t, 1280, 1000)
	enterAs(b, stage, "first")
	open(t, b, stage, "receive", "Receiving")
	harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "scan"`))
	scan(b, "nonsense")
	if said := says(b, "nonsense"); !strings.HasPrefix(said, "✕") {
		t.Errorf("no code: %q", said)
	}
	scan(b, "(01)09521234543213(17)280131(10)LOT7A")
	b.Do(chromedp.WaitVisible(chromedp.CSS("#delivery form")))
	if shown := b.Text("#delivery"); strings.Index(shown, "H319") > strings.Index(shown, "Amount, L") || !strings.Contains(shown, seals) ||
		!strings.Contains(shown, "Certificate number, required") {
		t.Errorf("the delivery: %s", shown)
	}
	filled := harness.Value(b, chromedp.Evaluate[string](`["batch", "use-by", "much"].map((id) => document.getElementById(id).value).join(" ")`))
	if filled != "LOT7A 2028-01-31 " {
		t.Errorf("the code fills in %q", filled)
	}
	paper := filepath.Join(t.TempDir(), "certificate.pdf")
	if err := os.WriteFile(paper, []byte("a certificate, demonstration only"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.Do(chromedp.SendKeys(chromedp.CSS("#much"), "5"), chromedp.SendKeys(chromedp.CSS("#certificate"), "C-7"), chromedp.SetUploadFiles(chromedp.CSS("#certificate-file"), []string{paper}),
		chromedp.Click(chromedp.CSS("#question0-YES")))
	b.Picture("receiving-delivery")
	b.Do(chromedp.Click(chromedp.CSS("#delivery button")))
	said := says(b, "Booked in")
	got := elements(must(t, clerk.REST("GET", "/v1/lots", nil)), "lots")
	lot, _ := got[0].(map[string]any)
	certificate, _ := lot["certificate"].(map[string]any)
	sum := sha256.Sum256([]byte("a certificate, demonstration only"))
	if len(got) != 1 || text(lot, "state") != "HELD" || text(lot, "manufacturerLot") != "LOT7A" || text(certificate, "number") != "C-7" ||
		text(certificate, "contentSha256") != hex.EncodeToString(sum[:]) || len(elements(lot, "answers")) != 1 || !strings.Contains(said, "code "+text(lot, "shortCode")) {
		t.Errorf("received %v, said %q", got, said)
	}
	cleared(t, b, stage, text(lot, "name"), clerk)
	shown := open(t, b, stage, "item/wash", "Wash concentrate, demonstration only")
	for _, words := range []string{"RECOVERY WASH", "inv-6", "INV-MAN 72, 4", "5 L on hand", "batch LOT7A", "cleared by a second person"} {
		if !strings.Contains(shown, words) {
			t.Errorf("the item's page does not say %q: %s", words, shown)
		}
	}
	b.Picture("item-page")
}

// cleared tries to clear a lot as who received it, with a question open, then as another person.
func cleared(t *testing.T, b *harness.Browser, stage *harness.Stage, lot string, clerk *harness.Person) {
	t.Helper()
	begin := func() {
		b.Do(chromedp.Click(chromedp.CSS("#waiting button")), chromedp.WaitVisible(chromedp.CSS("#delivery form")))
	}
	answer := func() {
		b.Do(chromedp.Click(chromedp.CSS("#left0-YES")), chromedp.SetValue(chromedp.CSS("#bin"), "locations/shelf"), chromedp.Click(chromedp.CSS("#delivery button")))
	}
	begin()
	b.Do(chromedp.Click(chromedp.CSS("#delivery button")))
	if said := says(b, papers); !strings.HasPrefix(said, "✕") || strings.Contains(said, "lots/") {
		t.Errorf("with a question open: %q", said)
	}
	answer()
	if said := says(b, "another person"); !strings.HasPrefix(said, "✕") || strings.Contains(said, "lots/") {
		t.Errorf("by the same person: %q", said)
	}
	b.Picture("receiving-same-person")
	b.Do(chromedp.Click(chromedp.CSS("#who button")), chromedp.WaitVisible(chromedp.CSS("#login")))
	enterAs(b, stage, "second")
	open(t, b, stage, "receive", "Receiving")
	begin()
	answer()
	if said := says(b, "Cleared"); !strings.Contains(said, "batch LOT7A") {
		t.Errorf("by another person: %q", said)
	}
	after := must(t, clerk.REST("GET", "/v1/"+lot, nil))
	balances := elements(after, "balances")
	if where, _ := balances[0].(map[string]any); text(after, "state") != "USABLE" || text(where, "location") != "locations/shelf" {
		t.Errorf("cleared %v", after)
	}
	b.Picture("receiving-cleared")
}
