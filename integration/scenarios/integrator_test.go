package scenarios

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// The commands of the README's "A system's first call", with curl, against a process that was just started: a system gets a
// key, finds its place in the feed, is sent facts that the public verifier accepts, and books what it was told.
func TestASystemsFirstCalls(t *testing.T) {
	messages := make(chan *http.Request, 100)
	receiver := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		r.Body = io.NopCloser(strings.NewReader(string(body)))
		messages <- r
	}))
	t.Cleanup(receiver.Close)
	stage := harness.OneProcessWith(t, "--webhook-allow", "127.0.0.1")
	curl := func(token, path string, more ...string) map[string]any {
		return run(t, "curl", append([]string{"-sS", "--fail-with-body", "-H", "Authorization: Bearer " + token, stage.URL(path)}, more...)...)
	}
	admin := text(run(t, "curl", "-sS", stage.URL("/v1/invitations:accept"), "--json", `{"token":"`+stage.Token()+`","password":"a long passphrase"}`), "token")
	erp := text(curl(admin, "/v1/accounts", "--json", `{"login":"erp","displayName":"ERP","kind":"MACHINE","roles":["integrator"]}`), "name")
	key := text(curl(admin, "/v1/"+erp+"/apiKeys", "--json", `{"displayName":"ERP"}`), "secret")
	cursor := text(curl(key, "/v1/events:locate"), "newestCursor")
	secret := text(curl(key, "/v1/webhookEndpoints", "--json",
		`{"displayName":"ERP","url":"`+receiver.URL+`/facts","types":["coldsection.engine.*"]}`), "secret")
	verifier, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		t.Fatal(err)
	}
	curl(admin, "/v1/engines?engineId=demo", "--json", `{"serial":"DEMO-1","engineModel":"engineModels/demo"}`)
	feed := curl(key, "/v1/events?wait=20s&types=coldsection.engine.*&after="+cursor)
	if n := len(elements(feed, "events")); n == 0 {
		t.Errorf("the feed has no fact after %s: %v", cursor, feed)
	}
	select {
	case r := <-messages:
		body, _ := io.ReadAll(r.Body)
		if err := verifier.Verify(body, r.Header); err != nil || !strings.Contains(string(body), "coldsection.engine.") {
			t.Errorf("%v: %s", err, body)
		}
	case <-clock.System().After(30 * time.Second):
		t.Error("no message came within half a minute")
	}
	if waiting := curl(key, "/v1/postings?filter=state%3DWAITING"); len(elements(waiting, "postings")) != 0 {
		t.Errorf("an engine is nothing to book: %v", waiting)
	}
	if totals := curl(key, "/v1/postings:total?startDate.year=2026&startDate.month=11&startDate.day=26"); text(totals, "cursor") == "" {
		t.Errorf("totals: %v", totals)
	}
}
