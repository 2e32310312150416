package gateway_test

import (
	"strings"
	"testing"
)

func TestBrowsersNeedTheCSRFToken(t *testing.T) {
	w := newWorld(t)
	status, session, header := w.rest("POST", "/v1/sessions:signIn", "", `{"login":"admin","password":"`+passphrase+`"}`)
	cookie, _, _ := strings.Cut(header.Get("Set-Cookie"), ";")
	csrf, _ := session["csrfToken"].(string)
	if status != 200 || cookie == "" || csrf == "" || !strings.Contains(header.Get("Set-Cookie"), "HttpOnly") {
		t.Fatalf("%d %v %v", status, session, header)
	}
	const item = `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`
	if status, _, _ := w.rest("GET", "/v1/items/a", "", "", "Cookie", cookie); status != 200 {
		t.Errorf("reading with the cookie: %d", status)
	}
	for token, want := range map[string]int{"": 403, "wrong": 403, csrf: 200} {
		if status, answer, _ := w.rest("POST", "/v1/items", "", item, "Cookie", cookie, "X-CSRF-Token", token); status != want {
			t.Errorf("writing with token %q: %d %v, want %d", token, status, answer, want)
		}
	}
}

// Case C16: what a page of another site can make a browser send changes nothing, with the session's cookie and without: forms of any kind, a page without
// an origin, and a GET of what writes.
func TestWhatOtherSitesSendChangesNothing(t *testing.T) {
	w := newWorld(t)
	_, session, header := w.rest("POST", "/v1/sessions:signIn", "", `{"login":"admin","password":"`+passphrase+`"}`)
	cookie, _, _ := strings.Cut(header.Get("Set-Cookie"), ";")
	if !strings.Contains(header.Get("Set-Cookie"), "SameSite=Strict") {
		t.Errorf("the cookie goes along from other sites: %s", header.Get("Set-Cookie"))
	}
	const item = `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`
	for _, c := range []struct {
		what, method, path, body string
		headers                  []string
		status                   int
		reason                   string
	}{
		{"a form of text", "POST", "/v1/items", item, []string{"Cookie", cookie, "Content-Type", "text/plain"}, 403, "CSRF_TOKEN_MISSING"},
		{"the same without the cookie", "POST", "/v1/items", item, []string{"Content-Type", "text/plain"}, 415, "CONTENT_TYPE_UNSUPPORTED"},
		{"a form of fields", "POST", "/v1/items", "displayName=brush", []string{"Cookie", cookie, "Content-Type", "application/x-www-form-urlencoded"}, 403, "CSRF_TOKEN_MISSING"},
		{"a form with files", "POST", "/v1/items", "--x--", []string{"Cookie", cookie, "Content-Type", "multipart/form-data; boundary=x"}, 403, "CSRF_TOKEN_MISSING"},
		{"a page without an origin", "POST", "/v1/items", item, []string{"Cookie", cookie, "Origin", "null"}, 403, "CSRF_TOKEN_MISSING"},
		{"a page of another site", "POST", "/v1/items", item, []string{"Cookie", cookie, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site"}, 403, "CSRF_TOKEN_MISSING"},
		{"the cookie's own value as the token", "POST", "/v1/items", item, []string{
			"Cookie", cookie, "X-CSRF-Token", strings.TrimPrefix(cookie, "coldsection_session="),
		}, 403, "CSRF_TOKEN_MISSING"},
		{"a verb without a body", "POST", "/v1/accounts/admin:disable", "", []string{"Cookie", cookie, "Content-Type", "text/plain"}, 403, "CSRF_TOKEN_MISSING"},
		{"a GET of a verb", "GET", "/v1/accounts/admin:disable", "", []string{"Cookie", cookie}, 404, "NOT_FOUND"},
		{"a GET that says it is a POST", "GET", "/v1/accounts/admin:disable", "", []string{"Cookie", cookie, "X-HTTP-Method-Override", "POST"}, 404, "NOT_FOUND"},
		{"a GET that ends the session", "GET", "/v1/sessions:signOut", "", []string{"Cookie", cookie}, 405, "METHOD_NOT_ALLOWED"},
		{"a sign-in by a form", "POST", "/v1/sessions:signIn", `{"login":"admin","password":"` + passphrase + `","x":"="}`, []string{
			"Content-Type", "text/plain",
		}, 415, "CONTENT_TYPE_UNSUPPORTED"},
	} {
		if status, problem, header := w.rest(c.method, c.path, "", c.body, c.headers...); status != c.status || problem["reason"] != c.reason ||
			header.Get("Set-Cookie") != "" || header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: %d %v %v, want %d %s", c.what, status, problem, header, c.status, c.reason)
		}
	}
	if n := w.made.Load(); n != 0 {
		t.Errorf("%d items were made", n)
	}
	csrf, _ := session["csrfToken"].(string)
	if status, answer, _ := w.rest("POST", "/v1/items", "", item, "Cookie", cookie, "X-CSRF-Token", csrf); status != 200 || w.made.Load() != 1 {
		t.Errorf("our own page: %d %v", status, answer)
	}
}
