package gateway_test

import (
	"net/http"
	"testing"
	"time"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// A browser that comes back to a session that nobody used is told why it has to sign in, and can; a key is used or not as it likes. What the page
// asks by itself keeps nothing alive.
func TestABrowserIsToldThatItsSessionWasIdle(t *testing.T) {
	w := newWorld(t, func(c *gateway.Config) { c.SessionIdle = time.Hour })
	token, key := w.hire("tomas", "stores"), w.program("desk", "stores")
	ask := func(method, path, body string, more ...string) (int, any, http.Header) {
		t.Helper()
		status, answer, header := w.rest(method, path, "", body, append([]string{"Cookie", "coldsection_session=" + token}, more...)...)
		return status, answer["reason"], header
	}
	for range 5 {
		w.clock.Advance(11 * time.Minute)
		if status, reason, _ := ask("GET", "/v1/items/a", "", "Coldsection-Unattended", "1"); status != http.StatusOK {
			t.Fatalf("the page by itself: %d %v", status, reason)
		}
	}
	w.clock.Advance(11*time.Minute + time.Second)
	for path, c := range map[string]string{"/v1/items/a": "", "/v1/sessions/current": "", "/v1/items": `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`} {
		method := "GET"
		if c != "" {
			method = "POST"
		}
		if status, reason, _ := ask(method, path, c); status != http.StatusUnauthorized || reason != "SESSION_IDLE" {
			t.Errorf("%s %s: %d %v", method, path, status, reason)
		}
	}
	if _, err := accessv1.NewSessionServiceClient(w.conn).GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "SESSION_IDLE" {
		t.Errorf("over gRPC: %v", err)
	}
	if status, answer, _ := w.rest("GET", "/v1/items/a", key, ""); status != http.StatusOK {
		t.Errorf("a key: %d %v", status, answer)
	}
	status, reason, header := ask("POST", "/v1/sessions:signIn", `{"login":"tomas","password":"`+passphrase+`"}`)
	if status != http.StatusOK || header.Get("Set-Cookie") == "" {
		t.Errorf("signing in with the old cookie: %d %v", status, reason)
	}
}
