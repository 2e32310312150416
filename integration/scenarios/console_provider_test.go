package scenarios

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/golang-jwt/jwt/v5"
	"github.com/oauth2-proxy/mockoidc"

	"coldsection.example/integration/harness"
)

// visitor is a user of the provider; asked is when the provider last asked who is there, now where it is zero.
type visitor struct {
	subject string
	asked   time.Time
}

func (v visitor) ID() string { return v.subject }
func (v visitor) Userinfo([]string) ([]byte, error) {
	return json.Marshal(map[string]any{"sub": v.subject})
}

// Claims are those of the standard.
func (v visitor) Claims(_ []string, base *mockoidc.IDTokenClaims) (jwt.Claims, error) {
	asked := v.asked
	if asked.IsZero() {
		asked = base.IssuedAt.Time
	}
	return jwt.MapClaims{
		"iss": base.Issuer, "sub": v.subject, "aud": base.Audience[0], "exp": base.ExpiresAt.Unix(), "iat": base.IssuedAt.Unix(), "nonce": base.Nonce,
		"auth_time": asked.Unix(), "preferred_username": v.subject, "name": v.subject, "groups": []string{},
	}, nil
}

// house is a suite where people sign in by a provider that others wrote.
func house(t *testing.T) (*harness.Stage, *mockoidc.MockOIDC) {
	t.Helper()
	provider, err := mockoidc.NewServer(nil)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := provider.Start(listener, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = provider.Shutdown() })
	at, secret := harness.Address(t), filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte(provider.ClientSecret), 0o600); err != nil {
		t.Fatal(err)
	}
	stage := harness.OneProcessWith(t, "--http", at, "--oidc-issuer", provider.Issuer(), "--oidc-name", "House", "--oidc-client-id="+provider.ClientID,
		"--oidc-client-secret-file", secret, "--public-url", "http://"+at)
	stage.HTTP[0] = at
	return stage, provider
}

// Somebody whom the provider signed in proves at the provider to be there, at the moment of signing: the page goes there and comes back to the same
// text, which is signed by a press and once. A provider that did not ask again, and another user, prove nothing, and the page says so.
func TestWhoSignsInByTheProviderSignsByIt(t *testing.T) {
	stage, provider := house(t)
	out := play(t, stage, nil)
	w := &bench{t: t, b: harness.OpenBrowser(t, 390, 844), stage: stage, now: lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)}
	if err := stage.SetClock(w.now); err != nil {
		t.Fatal(err)
	}
	provider.FastForward(w.now.Sub(provider.Now()))
	w.order = counting(t, w)
	must(t, w.as("admin").REST("PATCH", "/v1/accounts/technician?updateMask=issuer,subject", map[string]any{"issuer": provider.Issuer(), "subject": "ines"}))
	provider.QueueUser(visitor{subject: "ines"})
	w.b.Do(chromedp.Navigate(stage.URL("/")), chromedp.WaitVisible(chromedp.CSS("#provider")), chromedp.Click(chromedp.CSS("#provider")), chromedp.WaitVisible(chromedp.CSS("nav a")))
	w.open()
	w.press("Start the work", "1 of 1")
	w.press("Step 1 is done", "Sign for the step")
	w.handy("work-provider")
	if shown := w.b.Text("#sign"); strings.Contains(shown, "password") || !harness.Value(w.b, chromedp.Evaluate[bool](`document.querySelector("#sign form button:not([type])").disabled`)) {
		t.Errorf("before the provider asked: %s", shown)
	}
	for _, bad := range []struct {
		who  visitor
		said string
	}{
		{visitor{subject: "ines", asked: w.now.Add(-time.Hour)}, "did not ask who you are again"},
		{visitor{subject: "omar"}, "Somebody else than the person of this session"},
	} {
		w.proves(provider, bad.who)
		harness.Value(w.b, chromedp.Poll[bool](`document.getElementById("message").textContent.includes("`+bad.said+`")`))
		w.open()
		w.b.Do(chromedp.WaitVisible(chromedp.CSS("#prove")))
	}
	w.proves(provider, visitor{subject: "ines"})
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#statement")), chromedp.WaitNotVisible(chromedp.CSS("#prove")))
	if len(elements(must(t, w.as("quality").REST("GET", "/v1/"+w.order+"/signatures", nil)), "signatures")) != 0 {
		t.Error("coming back from the provider signed by itself")
	}
	w.handy("work-provider-proven")
	w.press("Sign for the step", "Signed.")
	w.b.Do(chromedp.WaitVisible(chromedp.CSS("#prove")))
	signed := elements(must(t, w.as("quality").REST("GET", "/v1/"+w.order+"/signatures", nil)), "signatures")
	if first, _ := signed[0].(map[string]any); len(signed) != 1 || text(first, "person") != "people/technician" || text(first, "authenticationMethod") != "provider" {
		t.Errorf("the signatures are %v", signed)
	}
}

// proves goes to the provider, where somebody is, and comes back.
func (w *bench) proves(provider *mockoidc.MockOIDC, who visitor) {
	w.t.Helper()
	provider.QueueUser(who)
	harness.Value(w.b, chromedp.Evaluate[bool](`(document.body.dataset.left = "yes") !== ""`))
	w.b.Do(chromedp.Click(chromedp.CSS("#prove")), chromedp.WaitVisible(chromedp.CSS("body:not([data-left]) main h2")))
}

// counting is a kitted order of one step that is signed for by itself.
func counting(t *testing.T, w *bench) string {
	t.Helper()
	planner := w.as("planner")
	must(t, planner.REST("POST", "/v1/taskCards?taskCardId=signed", map[string]any{
		"displayName": "Close up", "kind": "OTHER", "document": map[string]any{"title": "demonstration only", "revision": "1"},
		"steps": []any{map[string]any{"title": "Close the cowl", "kind": "STEP_KIND_DO", "instruction": "Close it.", "signatureRequired": true}},
	}))
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/signed"}))
	name := text(order, "name")
	order = must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{"etag": order["etag"], "planStartTime": w.now.Add(time.Hour), "station": "stations/skerry"}))
	must(t, planner.REST("POST", "/v1/"+name+":kit", map[string]any{"etag": order["etag"]}))
	return name
}
