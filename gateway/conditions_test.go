package gateway_test

import (
	"net/http"
	"testing"
)

// rename is the body of a change of an account, without its closing brace.
const rename = `{"login":"vera","displayName":"z","person":"people/vera","roles":["viewer"],"kind":"HUMAN"`

// The conditions are those of RFC 9110 sections 13.1.1 and 13.1.2; that a header's mismatch is 412 and a body's 409 is our own rule.
func TestChangesAreMadeOnTheVersionThatIfMatchNames(t *testing.T) {
	w := newWorld(t)
	w.hire("vera", "viewer")
	_, before, header := w.rest("GET", "/v1/accounts/vera", w.admin, "")
	current := header.Get("ETag")
	for _, c := range []struct {
		what, method, path, body, match string
		status                          int
		reason                          string
	}{
		{"stale header of a PATCH", "PATCH", "/v1/accounts/vera", rename + "}", `"v999"`, 412, "ETAG_MISMATCH"},
		{"stale etag in the body", "PATCH", "/v1/accounts/vera", rename + `,"etag":"v999"}`, "", 409, "ETAG_MISMATCH"},
		{"stale header of a verb", "POST", "/v1/accounts/vera:disable", `{}`, `"v999"`, 412, "ETAG_MISMATCH"},
		{"weak tag, which equals nothing", "POST", "/v1/accounts/vera:disable", "", `W/` + current, 412, "ETAG_MISMATCH"},
		{"header and body differ", "POST", "/v1/accounts/vera:disable", `{"etag":"v998"}`, `"v999"`, 400, "ETAG_AMBIGUOUS"},
		{"no quotes", "POST", "/v1/accounts/vera:disable", `{}`, `v1`, 400, "IF_MATCH_INVALID"},
		{"two tags", "POST", "/v1/accounts/vera:disable", `{}`, `"v1", "v2"`, 400, "IF_MATCH_INVALID"},
		{"on what has no version yet", "POST", "/v1/accounts", `{}`, `"v1"`, 400, "IF_MATCH_UNSUPPORTED"},
	} {
		var headers []string
		if c.match != "" {
			headers = []string{"If-Match", c.match}
		}
		if status, problem, _ := w.rest(c.method, c.path, w.admin, c.body, headers...); status != c.status || problem["reason"] != c.reason {
			t.Errorf("%s: %d %v, want %d %s", c.what, status, problem, c.status, c.reason)
		}
	}
	if _, after, _ := w.rest("GET", "/v1/accounts/vera", w.admin, ""); after["etag"] != before["etag"] || after["displayName"] != "vera" {
		t.Errorf("the refused changes left a trace: %v, before %v", after, before)
	}
	status, changed, header := w.rest("PATCH", "/v1/accounts/vera", w.admin, rename+"}", "If-Match", current)
	if status != 200 || changed["displayName"] != "z" || header.Get("ETag") == current {
		t.Errorf("on the current version: %d %v", status, changed)
	}
	if status, answer, _ := w.rest("POST", "/v1/accounts/vera:disable", w.admin, "", "If-Match", header.Get("ETag")); status != 200 {
		t.Errorf("a verb on the current version: %d %v", status, answer)
	}
	if status, answer, _ := w.rest("POST", "/v1/accounts/vera:enable", w.admin, "", "If-Match", "*"); status != 200 {
		t.Errorf("any version: %d %v", status, answer)
	}
}

func TestReadersWhoHaveTheResourceAreNotSentItAgain(t *testing.T) {
	w := newWorld(t)
	for had, want := range map[string]int{
		`"v1"`: 304, `W/"v1"`: 304, `"v0", "v1"`: 304, `*`: 304, `"v2"`: 200, `v1`: 200, "": 200,
	} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.http.URL+"/v1/items/a", http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+w.admin)
		req.Header.Set("If-None-Match", had)
		status, body, header := w.send(req)
		if status != want || header.Get("ETag") != `"v1"` || (body == "") != (want == 304) {
			t.Errorf("If-None-Match %s: %d, ETag %s, body %q", had, status, header.Get("ETag"), body)
		}
	}
	if status, problem, _ := w.rest("GET", "/v1/items/none", w.admin, "", "If-None-Match", "*"); status != 404 {
		t.Errorf("what is not there: %d %v", status, problem)
	}
}
