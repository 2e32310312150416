package gateway_test

import (
	"net/http"
	"strings"
	"testing"
)

// Whatever path is asked for that is not there, also outside of /v1/ and where it is not written as paths are, the answer is a problem that says the
// next move; nobody is sent elsewhere, which clients that send a body don't follow.
func TestEveryPathThatIsNotThereIsAProblem(t *testing.T) {
	w := newWorld(t)
	w.http.Client().CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for path, says := range map[string]string{
		"/V1/Items": "Did you mean /v1/items?", "/api/v2/things": "/openapi.json", "/openapi.yaml": "/openapi.json", "//v1/items": "Did you mean /v1/items?",
		"/v1//items": "Did you mean /v1/items?", "/v1/./items": "Did you mean /v1/items?", "/x/../v1/items": "Did you mean /v1/items?", "/v1": "/reference", "/v1/": "/reference",
		"/v1/items/a//b": "Did you mean /v1/items/a/b?", "//": "/reference", "/static/": "/reference",
	} {
		for _, method := range []string{"GET", "POST"} {
			status, problem, header := w.rest(method, path, w.admin, "")
			detail, _ := problem["detail"].(string)
			if status != http.StatusNotFound || problem["reason"] != "PATH_UNKNOWN" || !strings.Contains(detail, says) || header.Get("Content-Type") != "application/problem+json" {
				t.Errorf("%s %s: %d %v, want a problem with %q", method, path, status, problem, says)
			}
		}
	}
	for _, path := range []string{"/", "/openapi.json", "/reference", "/llms.txt"} {
		if status, page := w.page(path); status != http.StatusOK {
			t.Errorf("%s: %d %s", path, status, page)
		}
	}
}

// RFC 9110 section 9.3.2: a HEAD is answered as a GET, without its body; monitors and caches ask so.
func TestAHeadIsAGetWithoutItsBody(t *testing.T) {
	w := newWorld(t)
	for path, want := range map[string]int{"/v1/items/a": 200, "/v1/items/none": 404, "/v1/lots:blend": 405, "/v1/nothing": 404, "/v1/events": 200} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodHead, w.http.URL+path, http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+w.admin)
		status, body, header := w.send(req)
		_, _, read := w.rest("GET", path, w.admin, "")
		if status != want || body != "" || header.Get("ETag") != read.Get("ETag") || header.Get("Content-Type") != read.Get("Content-Type") {
			t.Errorf("%s: %d %q %v, and a GET %v", path, status, body, header, read)
		}
	}
	for _, etag := range []string{`"v1"`, "*"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodHead, w.http.URL+"/v1/items/a", http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		req.Header = http.Header{"Authorization": {"Bearer " + w.admin}, "If-None-Match": {etag}}
		if status, _, _ := w.send(req); status != http.StatusNotModified {
			t.Errorf("with the etag %s: %d", etag, status)
		}
	}
}
