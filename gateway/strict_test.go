package gateway_test

import (
	"net/http"
	"strings"
	"testing"
)

const brush = `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`

func TestWhatTheContractDoesNotKnowIsRefused(t *testing.T) {
	w := newWorld(t)
	large := `{"displayName":"` + strings.Repeat("a", 4<<20) + `"}`
	const json, form = "application/json", "application/x-www-form-urlencoded"
	for _, c := range []struct {
		what, method, path, body, kind string
		status                         int
		reason                         string
	}{
		{"a parameter of a list", "GET", "/v1/events?colour=red", "", "", 400, "UNKNOWN_FIELD"},
		{"a parameter of a read", "GET", "/v1/items/a?colour=red", "", "", 400, "UNKNOWN_FIELD"},
		{"what the path brings", "GET", "/v1/items/a?name=items/b", "", "", 400, "UNKNOWN_FIELD"},
		{"what the body brings", "POST", "/v1/items?item.displayName=b", brush, json, 400, "UNKNOWN_FIELD"},
		{"a parameter of a verb", "POST", "/v1/accounts/vera:disable?etag=v1", "{}", json, 400, "UNKNOWN_FIELD"},
		{"below a plain field", "GET", "/v1/events?after.x=1", "", "", 400, "UNKNOWN_FIELD"},
		{"a query that can't be read", "GET", "/v1/events?after=%zz", "", "", 400, "REQUEST_UNREADABLE"},
		{"two values", "POST", "/v1/items", brush + `{"x":1}`, json, 400, "REQUEST_UNREADABLE"},
		{"rubbish at the end", "POST", "/v1/items", brush + ` rubbish`, json, 400, "REQUEST_UNREADABLE"},
		{"rubbish after a verb's body", "POST", "/v1/accounts/vera:disable", `{}]`, json, 400, "REQUEST_UNREADABLE"},
		{"a body of a read", "GET", "/v1/items/a", `{"name":"items/b"}`, json, 400, "UNKNOWN_FIELD"},
		{"a body of a deletion", "DELETE", "/v1/webhookEndpoints/a", `{"etag":"v1"}`, json, 400, "UNKNOWN_FIELD"},
		{"another set of characters", "POST", "/v1/items", brush, "application/json; charset=iso-8859-1", 415, "CONTENT_TYPE_UNSUPPORTED"},
		{"two bytes a character", "POST", "/v1/items", brush, "application/json; charset=UTF-16", 415, "CONTENT_TYPE_UNSUPPORTED"},
		{"text", "POST", "/v1/items", brush, "text/plain", 415, "CONTENT_TYPE_UNSUPPORTED"},
		{"no type", "POST", "/v1/items", brush, "", 415, "CONTENT_TYPE_UNSUPPORTED"},
		{"a form", "POST", "/v1/items/a", "x=1", form, 405, "METHOD_NOT_ALLOWED"},
		{"a form without a body", "POST", "/v1/items/a", "", form, 405, "METHOD_NOT_ALLOWED"},
		{"too large", "POST", "/v1/items", large, json, 413, "REQUEST_TOO_LARGE"},
	} {
		var headers []string
		if c.kind != "" || c.body != "" {
			headers = []string{"Content-Type", c.kind}
		}
		status, problem, header := w.rest(c.method, c.path, w.admin, c.body, headers...)
		if status != c.status || problem["reason"] != c.reason || header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %v, want %d %s", c.what, status, problem, c.status, c.reason)
		}
	}
}

func TestWhatTheContractKnowsIsTaken(t *testing.T) {
	w := newWorld(t)
	const json = "application/json"
	for _, c := range []struct{ method, path, body, kind string }{
		{"GET", "/v1/events?pageSize=1&after=", "", json}, {"GET", "/v1/events?page_size=1&types=coldsection.a.*&types=coldsection.b.*", "", json},
		{"GET", "/v1/events?wait=0s", "", json}, {"POST", "/v1/items?itemId=brush&request_id=", brush, json},
		{"POST", "/v1/items", " " + brush + "\n\n", "application/json; charset=utf-8"}, {"POST", "/v1/accounts/vera:disable", "", "text/plain"},
		{"GET", "/v1/items/a", "{}", json}, {"DELETE", "/v1/webhookEndpoints/a", " {} ", json}, {"POST", "/v1/items", brush, "application/json;charset=US-ASCII"},
		{"POST", "/v1/items", brush, `application/json; charset="UTF-8"`}, {"POST", "/v1/items", brush, "application/json;charset=utf8"},
		{"GET", "/v1/items/a", "{\n}\n", json}, {"DELETE", "/v1/webhookEndpoints/a", "null", json},
	} {
		status, answer, _ := w.rest(c.method, c.path, w.admin, c.body, "Content-Type", c.kind)
		if reason := answer["reason"]; status == 415 || reason == "UNKNOWN_FIELD" && c.path != "/v1/events?pageSize=1&after=" || reason == "REQUEST_UNREADABLE" {
			t.Errorf("%s %s: %d %v", c.method, c.path, status, answer)
		}
	}
}

func TestWrongMethodsAreToldTheRightOnes(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct{ method, path, allow string }{
		{"DELETE", "/v1/items", "GET, HEAD, POST"}, {"PUT", "/v1/items/a", "GET, HEAD, PATCH"}, {"GET", "/v1/lots:blend", "POST"},
		{"POST", "/v1/events", "GET, HEAD"}, {"OPTIONS", "/v1/sessions/current", "GET, HEAD"},
	} {
		status, problem, header := w.rest(c.method, c.path, w.admin, "")
		if status != 405 || problem["reason"] != "METHOD_NOT_ALLOWED" || header.Get("Allow") != c.allow {
			t.Errorf("%s %s: %d %v, Allow %q, want %q", c.method, c.path, status, problem, header.Get("Allow"), c.allow)
		}
	}
	status, _, header := w.rest("DELETE", "/v1/nothing", w.admin, "")
	if status != 404 || header.Get("Allow") != "" {
		t.Errorf("no such path: %d, Allow %q", status, header.Get("Allow"))
	}
	status, _, _ = w.rest("POST", "/v1/items/a", w.admin, "", "X-HTTP-Method-Override", "GET", "Content-Type", "application/x-www-form-urlencoded")
	if status != 405 {
		t.Errorf("another method in a header: %d", status)
	}
}

func TestACursorThatTheStreamNeverGaveIsGone(t *testing.T) {
	w := newWorld(t)
	for cursor, want := range map[string]struct {
		status int
		reason any
	}{
		"": {200, nil}, "00000000000000000000": {200, nil}, "00000000000000000999": {410, "CURSOR_AHEAD"},
		"18446744073709551615": {410, "CURSOR_AHEAD"}, "99999999999999999999": {400, "CURSOR_INVALID"}, "-1": {400, "CURSOR_INVALID"},
	} {
		status, answer, _ := w.rest("GET", "/v1/events?after="+cursor, w.admin, "")
		if status != want.status || answer["reason"] != want.reason {
			t.Errorf("after %q: %d %v, want %d %v", cursor, status, answer, want.status, want.reason)
		}
		if detail, _ := answer["detail"].(string); status == 410 && (answer["code"] != "OUT_OF_RANGE" || !strings.Contains(detail, "List methods")) {
			t.Errorf("after %q: %v does not say the way back", cursor, answer)
		}
	}
}

func TestTheTypeOfAProblemIsTheAddressOfItsPage(t *testing.T) {
	w := newWorld(t)
	for path, reason := range map[string]string{"/v1/items/none": "NOT_FOUND", "/v1/nothing": "PATH_UNKNOWN", "/v1/events?after=x": "CURSOR_INVALID"} {
		_, problem, _ := w.rest("GET", path, w.admin, "")
		address, _ := problem["type"].(string)
		status, page := w.page(address)
		if status != 200 || !strings.Contains(page, "<code>"+reason+"</code>") {
			t.Errorf("%s: %s is %d %s", path, address, status, page)
		}
	}
	if status, page := w.page("/problems/not-a-reason"); status != 404 {
		t.Errorf("what is no reason: %d %s", status, page)
	}
}

// page reads a page as anybody.
func (w *world) page(path string) (int, string) {
	w.t.Helper()
	req, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.http.URL+path, http.NoBody)
	if err != nil {
		w.t.Fatal(err)
	}
	status, body, _ := w.send(req)
	return status, body
}
