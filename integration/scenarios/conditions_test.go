package scenarios

import (
	"net/http"
	"testing"
)

// The header of a resource's version is its etag in quotes (RFC 9110 section 8.8.3), and no verb is done on
// an order whose version the caller does not name.
func versionsAreNamed(t *testing.T, in told) {
	planner := in.stage.SignIn(t, "planner")
	drafted := must(t, planner.REST("POST", "/v1/workOrders", `{"engine":"engines/demo-4711","taskCard":"taskCards/recovery-wash"}`))
	path := "/v1/" + text(drafted, "name")
	read := planner.REST("GET", path, nil)
	if etag := text(read.Body, "etag"); etag == "" || read.Header.Get("ETag") != `"`+etag+`"` || etag != text(drafted, "etag") {
		t.Errorf("the header says %s, the body %v, the draft %v", read.Header.Get("ETag"), read.Body["etag"], drafted["etag"])
	}
	refused := planner.REST("POST", path+":schedule", `{}`)
	named := false
	for _, v := range elements(refused.Body, "violations") {
		violation, _ := v.(map[string]any)
		named = named || violation["field"] == "etag" && violation["reason"] == "FIELD_INVALID"
	}
	if refused.Status != http.StatusBadRequest || refused.Reason() != "FIELD_INVALID" || !named {
		t.Errorf("scheduled on no version: %d %v", refused.Status, refused.Body)
	}
	if after := planner.REST("GET", path, nil); jsonText(t, after.Body) != jsonText(t, read.Body) {
		t.Errorf("the refusal left a trace: %v, before %v", after.Body, read.Body)
	}
}
