package gateway_test

import (
	"net/http"
	"strings"
	"testing"
)

// A header that can't be carried on to a service as it is, is refused and not left out: without its key a change that is sent again would be made
// again, and without its condition it would be made over somebody else's.
func TestAHeaderThatCantBeCarriedIsRefused(t *testing.T) {
	w := newWorld(t)
	for what, c := range map[string]struct {
		header, value, reason string
	}{
		"a key beyond ASCII":             {"Idempotency-Key", "clé-1", "IDEMPOTENCY_KEY_INVALID"},
		"a key in Latin-1":               {"Idempotency-Key", "cl\xe9-1", "IDEMPOTENCY_KEY_INVALID"},
		"a key with a tab":               {"Idempotency-Key", "a\tb", "IDEMPOTENCY_KEY_INVALID"},
		"a quoted key beyond ASCII":      {"Idempotency-Key", `"clé"`, "IDEMPOTENCY_KEY_INVALID"},
		"a condition beyond ASCII":       {"If-Match", `"é"`, "IF_MATCH_INVALID"},
		"a system of units beyond ASCII": {"Coldsection-Units", "é", "UNIT_SYSTEM_UNKNOWN"},
	} {
		status, problem, _ := w.rest("POST", "/v1/items", w.admin, brush, c.header, c.value)
		if status != http.StatusBadRequest || problem["reason"] != c.reason {
			t.Errorf("%s: %d %v, want %s", what, status, problem, c.reason)
		}
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.http.URL+"/v1/items", strings.NewReader(brush))
	if err != nil {
		t.Fatal(err)
	}
	req.Header = http.Header{"Authorization": {"Bearer " + w.admin}, "Content-Type": {"application/json"}, "Idempotency-Key": {"one", "two"}}
	if status, body, _ := w.send(req); status != http.StatusBadRequest || !strings.Contains(body, "IDEMPOTENCY_KEY_INVALID") {
		t.Errorf("two keys: %d %s", status, body)
	}
	if w.made.Load() != 0 {
		t.Errorf("%d items were made", w.made.Load())
	}
}
