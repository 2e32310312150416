package scenarios

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/pquerna/otp/totp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// Names as somebody would type them who hopes that a page takes them for markup.
const (
	image  = `<img src=x onerror="window.hurt=1">`
	script = `"><script>window.hurt=1</script>`
)

// desk is a small suite at a known time: an administrator, and Mina, who plans, keeps the store and does the work. Her name, and those of the
// item and the card, are full of markup.
type desk struct {
	t     *testing.T
	stage *harness.Stage
	admin *harness.Person
	now   time.Time
}

func atDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{t: t, now: time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC), stage: harness.OneProcessWith(t, "--second-factor-roles", "releaser",
		"--oidc-issuer", "http://127.0.0.1:1/down", "--oidc-name", "House "+script, "--oidc-client-id", "id", "--public-url", "http://127.0.0.1")}
	d.pass(0)
	d.admin = administrator(t, d.stage)
	d.hire("mina", "Mina "+image, "planner", "stores", "technician")
	return d
}

func (d *desk) hire(login, name string, roles ...string) {
	d.t.Helper()
	must(d.t, d.admin.REST("POST", "/v1/people?personId="+login, map[string]any{"displayName": name}))
	must(d.t, d.admin.REST("POST", "/v1/accounts?accountId="+login, map[string]any{
		"login": login, "displayName": name, "person": "people/" + login, "roles": roles, "kind": "HUMAN",
	}))
	token := text(must(d.t, d.admin.REST("POST", "/v1/accounts/"+login+":invite", map[string]any{})), "token")
	must(d.t, d.stage.Stranger(d.t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
}

// pass moves the suite's clock on.
func (d *desk) pass(by time.Duration) {
	d.t.Helper()
	d.now = d.now.Add(by)
	if err := d.stage.SetClock(d.now); err != nil {
		d.t.Fatal(err)
	}
}

// stock is 20 L of an item on a shelf.
func (d *desk) stock(mina *harness.Person) {
	d.t.Helper()
	must(d.t, mina.REST("POST", "/v1/locations?locationId=shelf", map[string]any{"displayName": "Shelf " + image, "kind": "BIN", "timeZone": "Europe/Oslo"}))
	must(d.t, mina.REST("POST", "/v1/items?itemId=wash", map[string]any{
		"displayName": "Wash " + image + script, "kind": "CLEANER", "baseUnitCode": "L", "noLifeLimit": true, "demonstrationOnly": true,
	}))
	must(d.t, mina.REST("POST", "/v1/lots:receive", map[string]any{
		"lot": map[string]any{"item": "items/wash", "manufacturerLot": script}, "quantity": quantity("20", "L"), "location": "locations/shelf",
	}))
}

// order is a started order whose title is full of markup, with a finding that is too.
func (d *desk) order(mina *harness.Person) string {
	d.t.Helper()
	must(d.t, mina.REST("POST", "/v1/engines?engineId=e1", map[string]any{"serial": "E1 " + image, "engineModel": "engineModels/inv-6", "owner": "demo-operator"}))
	must(d.t, mina.REST("POST", "/v1/taskCards?taskCardId=look", map[string]any{
		"displayName": "Look " + image + script, "kind": "OTHER", "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{map[string]any{"title": "Look " + script, "kind": "STEP_KIND_DO", "instruction": "Look at it. " + image}},
	}))
	order := must(d.t, mina.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/e1", "taskCard": "taskCards/look"}))
	must(d.t, mina.REST("POST", "/v1/"+text(order, "name")+"/findings", map[string]any{"description": "A crack " + image + script}))
	return strings.TrimPrefix(text(order, "name"), "workOrders/")
}

// foreign counts elements of a page that only markup from outside could make.
const foreign = `document.querySelectorAll("header img, header script, #alarm img, #message img, main img, main script, main [onerror]").length`

// inert sees that markup is shown as text, letter by letter, and made nothing of the page nor ran.
func inert(t *testing.T, b *harness.Browser, where string, shown ...string) {
	t.Helper()
	all := b.Text("body")
	for _, words := range shown {
		if !strings.Contains(all, words) {
			t.Errorf("%s does not show %q: %s", where, words, all)
		}
	}
	if got := harness.Value(b, chromedp.Evaluate[string](foreign+` + " " + typeof window.hurt`)); got != "0 undefined" {
		t.Errorf("%s: foreign elements and what their script left: %s", where, got)
	}
	narrow(t, b, where)
}

// narrow sees that no page is wider than its screen, a telephone's or a desk's.
func narrow(t *testing.T, b *harness.Browser, where string) {
	t.Helper()
	name := "account-" + strings.NewReplacer(" ", "-", "/", "-").Replace(where)
	for _, width := range []int64{390, 1280} {
		b.Do(chromedp.EmulateViewport(width, 844))
		b.Picture(fmt.Sprintf("%s-%d", name, width))
		if wide := harness.Value(b, chromedp.Evaluate[int](`document.documentElement.scrollWidth - innerWidth`)); wide > 0 {
			t.Errorf("%s is %d px wider than a screen of %d", where, wide, width)
		}
	}
}

// redrawn waits until what an action changes was drawn anew; the node that was there is gone then.
func redrawn(b *harness.Browser, selector string, act chromedp.Action[chromedp.Void]) {
	harness.Value(b, chromedp.Evaluate[bool](`(window.before = document.querySelector("`+selector+`")) !== null`))
	b.Do(act)
	harness.Value(b, chromedp.Poll[bool](`!window.before.isConnected && document.querySelector("`+selector+`") !== null`))
}

// leave signs out and waits until it is done; a page that is left before takes the call with it.
func leave(b *harness.Browser) {
	b.Do(chromedp.Click(chromedp.CSS("#who button")), chromedp.WaitVisible(chromedp.CSS("main:not([inert]) #login"))) // not the form before, which stands until the first page is read
}

// chosen chooses an option as a person does, who is heard by the page.
func chosen(b *harness.Browser, id, value string) {
	harness.Value(b, chromedp.Evaluate[bool](`(() => {
		const s = window.before = document.getElementById("`+id+`");
		s.value = "`+value+`";
		return s.dispatchEvent(new Event("change"));
	})()`))
	harness.Value(b, chromedp.Poll[bool](`!window.before.isConnected && document.getElementById("`+id+`") !== null`))
}

// Somebody ends a session that is not theirs, sees amounts in their own units beside those that were entered, finds what others typed shown as
// text, and gets a second factor, which sign-in asks for from then on. Who opens the break-glass envelope is watched, and who needs a second
// factor is led to it.
func TestOnesOwnAccountInTheBrowser(t *testing.T) {
	d := atDesk(t)
	mina := d.stage.SignIn(t, "mina")
	d.stock(mina)
	order := d.order(mina)
	b := harness.OpenBrowser(t, 1280, 844)
	d.waysIn(b)
	enterAs(b, d.stage, "mina")
	d.endsOthers(b, mina)
	d.units(b)
	d.markup(b, order)
	d.secondFactor(b)
	d.breakGlass(b)
	d.ledToSecondFactor(b)
}

// waysIn looks at what somebody sees who did not sign in: the provider, which can't be reached here, the code's field and the envelope.
func (d *desk) waysIn(b *harness.Browser) {
	d.t.Helper()
	b.Do(chromedp.Navigate(d.stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#provider")), chromedp.WaitVisible(chromedp.CSS("#code")))
	inert(d.t, b, "sign-in", "Sign in with House "+script, "break-glass envelope")
	ways := must(d.t, d.stage.Stranger(d.t).REST("GET", "/v1/sessions:describeSignIn", nil))
	if to := harness.Value(b, chromedp.Evaluate[string](`document.getElementById("provider").getAttribute("href")`)); to == "" || to != text(ways, "signInPath") {
		d.t.Errorf("the provider's button leads to %q, want %v", to, ways)
	}
}

// endsOthers ends every own session but the browser's.
func (d *desk) endsOthers(b *harness.Browser, other *harness.Person) {
	d.t.Helper()
	shown := open(d.t, b, d.stage, "account", "My account")
	if strings.Count(shown, "End it") != 2 || strings.Count(shown, "this one") != 1 {
		d.t.Errorf("own sessions: %s", shown)
	}
	inert(d.t, b, "own account", "Mina "+image)
	for range 2 {
		redrawn(b, "main table", chromedp.Click(chromedp.CSS("main td button")))
	}
	if got := other.REST("GET", "/v1/sessions/current", nil).Reason(); got != "CREDENTIALS_WRONG" {
		d.t.Errorf("the other session after its end: %q", got)
	}
	if left := b.Text("main table"); strings.Contains(left, "End it") || !strings.Contains(left, "this one") {
		d.t.Errorf("own sessions after their end: %s", left)
	}
}

// units switches and sees amounts twice: 20 L are 5.283 US gallons (NIST SP 811: 1 gal = 3.785 412 L).
func (d *desk) units(b *harness.Browser) {
	d.t.Helper()
	const twice = "20 L (5.283 US gal)"
	for _, system := range []string{"SI", "US", "UNIT_SYSTEM_UNSPECIFIED"} {
		open(d.t, b, d.stage, "account", "My account")
		chosen(b, "units", system)
		for page, heading := range map[string]string{"shelf": "Shelf list", "item/wash": "Wash"} {
			shown := open(d.t, b, d.stage, page, heading)
			if !strings.Contains(shown, "20 L") || strings.Contains(shown, twice) != (system == "US") {
				d.t.Errorf("%s in units %q: %s", page, system, shown)
			}
			if system == "US" {
				inert(d.t, b, heading+" in US units")
			}
		}
	}
}

// secondFactor sets one up from the secret on the page, and signs in with it. The codes are another program's.
func (d *desk) secondFactor(b *harness.Browser) {
	d.t.Helper()
	open(d.t, b, d.stage, "account", "My account")
	b.Do(chromedp.WaitVisible(chromedp.CSS("#factor-off")))
	b.Do(chromedp.SendKeys(chromedp.CSS("#factor-password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("#factor-secret")))
	narrow(d.t, b, "second factor")
	secret := b.Text("#factor-secret")
	code := func() string {
		made, err := totp.GenerateCode(secret, d.now)
		if err != nil {
			d.t.Fatal(err)
		}
		return made + "\r"
	}
	b.Do(chromedp.SendKeys(chromedp.CSS("#factor-code"), "000000\r"))
	harness.Value(b, chromedp.Poll[bool](`document.getElementById("message").textContent !== ""`))
	b.Do(chromedp.SendKeys(chromedp.CSS("#factor-code"), "\b\b\b\b\b\b"), chromedp.SendKeys(chromedp.CSS("#factor-code"), code()), chromedp.WaitVisible(chromedp.CSS("#recovery li")))
	narrow(d.t, b, "recovery codes")
	recovery := strings.Fields(b.Text("#recovery"))
	b.Do(chromedp.Click(chromedp.CSS("#factor button")), chromedp.WaitVisible(chromedp.CSS("#factor-on")), chromedp.Click(chromedp.CSS("#who button")))
	d.pass(time.Minute)
	signIn := func(code string) {
		b.Do(chromedp.WaitVisible(chromedp.CSS("main:not([inert]) #login")), chromedp.SendKeys(chromedp.CSS("#login"), "mina"), chromedp.SendKeys(chromedp.CSS("#password"), story.Password+"\r"))
		harness.Value(b, chromedp.Poll[bool](`document.activeElement.id === "code" && document.getElementById("message").textContent !== ""`))
		b.Do(chromedp.KeyEvent(code), chromedp.WaitVisible(chromedp.CSS("#who button")))
	}
	signIn(code())
	leave(b)
	signIn(recovery[0] + "\r")
	if shown := open(d.t, b, d.stage, "account", "My account"); !strings.Contains(shown, "○ ON") || strings.Contains(shown, "Set up a second factor") {
		d.t.Errorf("with a second factor the account page says %s", shown)
	}
}

// markup looks at every page that shows what people typed.
func (d *desk) markup(b *harness.Browser, order string) {
	d.t.Helper()
	for page, want := range map[string]struct{ heading, shown string }{
		"engines": {"Engines", "E1 " + image}, "orders": {"Orders", "Look " + image + script}, "order/" + order: {"Order", "Look " + script},
		"work/" + order: {"Work", "A crack " + image + script}, "shelf": {"Shelf list", script}, "item/wash": {"Wash", "Wash " + image + script},
		"receive": {"Receiving", image}, "issue/" + order: {"Issue desk", "Mina " + image},
	} {
		open(d.t, b, d.stage, page, want.heading)
		inert(d.t, b, page, want.shown)
	}
	// The count itself sees what a page that took names for markup would hold.
	harness.Value(b, chromedp.Evaluate[bool](`document.querySelector("main").insertAdjacentHTML("beforeend", `+"`"+image+"`"+`) === undefined`))
	if seen := harness.Value(b, chromedp.Evaluate[int](foreign)); seen != 1 {
		d.t.Errorf("markup that was put into a page is counted %d times", seen)
	}
}

// breakGlass sees that whoever opened the envelope in a browser is told so on every page, and that an administrator who does nothing is alarmed
// until another person has reviewed it.
func (d *desk) breakGlass(watch *harness.Browser) {
	d.t.Helper()
	secret := text(must(d.t, d.admin.REST("POST", "/v1/breakGlass:seal", map[string]any{})), "secret")
	leave(watch)
	enterAs(watch, d.stage, "admin")
	opener := harness.OpenBrowser(d.t, 390, 844)
	look := func(alarmed bool) {
		harness.Value(watch, chromedp.Evaluate[bool](`dispatchEvent(new Event("focus"))`))
		harness.Value(watch, chromedp.Poll[bool](fmt.Sprintf(`document.getElementById("alarm").textContent.includes("IN USE") === %t`, alarmed)))
	}
	look(false)
	opener.Do(chromedp.Navigate(d.stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#login")),
		chromedp.Click(chromedp.CSS(`main a[href="#/break-glass"]`)), chromedp.WaitVisible(chromedp.CSS("#secret")))
	narrow(d.t, opener, "envelope")
	opener.Do(chromedp.SendKeys(chromedp.CSS("#secret"), secret), chromedp.SendKeys(chromedp.CSS("#opener"), "mina"),
		chromedp.SendKeys(chromedp.CSS("#reason"), "The provider is down "+image+"\r"), chromedp.WaitVisible(chromedp.CSS("#alarm .alarm")))
	for _, page := range []string{"engines", "account"} {
		open(d.t, opener, d.stage, page, map[string]string{"engines": "Engines", "account": "My account"}[page])
		inert(d.t, opener, "break-glass session on "+page, "BREAK-GLASS SESSION until 2026-06-01 09:01Z")
	}
	look(true)
	inert(d.t, watch, "alarm", "opened 2026-06-01 08:01Z by mina", "The provider is down "+image)
	use, _ := elements(must(d.t, d.admin.REST("GET", "/v1/breakGlassUses", nil)), "breakGlassUses")[0].(map[string]any)
	must(d.t, d.admin.REST("POST", "/v1/"+text(use, "name")+":review", map[string]any{"findings": "Nothing was changed in the hour."}))
	look(false)
	opener.Do(chromedp.Navigate("about:blank"), chromedp.Navigate(d.stage.URL("/#/engines")), chromedp.WaitVisible(chromedp.CSS("#login")))
}

// ledToSecondFactor signs somebody in whose role needs a second factor and who has none: every page is the one where it is set up.
func (d *desk) ledToSecondFactor(b *harness.Browser) {
	d.t.Helper()
	leave(b)
	d.hire("tomas", "Tomas", "releaser")
	enterAs(b, d.stage, "tomas")
	for _, page := range []string{"orders", "account"} {
		if shown := open(d.t, b, d.stage, page, "My account"); !strings.Contains(shown, "needs a second factor") {
			d.t.Errorf("%s without the second factor: %s", page, shown)
		}
	}
	b.Do(chromedp.SendKeys(chromedp.CSS("#factor-password"), story.Password+"\r"), chromedp.WaitVisible(chromedp.CSS("#factor-secret")))
}
