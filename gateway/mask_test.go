package gateway_test

import (
	"encoding/json"
	"strings"
	"testing"
)

// A mask in a query is spelt as JSON spells fields, or as the contract does.
func TestMasksAreSpeltLikeTheFieldsOfTheBody(t *testing.T) {
	w := newWorld(t)
	w.hire("vera", "viewer")
	for mask, want := range map[string]string{"displayName": "json", "display_name": "proto"} {
		body := `{"displayName":"` + want + `","person":"people/other"}`
		status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask="+mask, w.admin, body)
		if status != 200 || answer["displayName"] != want || answer["person"] != "people/vera" {
			t.Errorf("%s: %d %v", mask, status, answer)
		}
	}
	spaced := `{"displayName":"list","person":"people/vera"}`
	if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask=displayName,%20person", w.admin, spaced); status != 200 || answer["displayName"] != "list" {
		t.Errorf("a list with a space: %d %v", status, answer)
	}
	// Check API-11: without a mask what is populated changes, and nothing else.
	status, answer, _ := w.rest("PATCH", "/v1/accounts/vera", w.admin, `{"login":"vera","displayName":"no mask","roles":["viewer"],"kind":"HUMAN"}`)
	if status != 200 || answer["displayName"] != "no mask" || answer["person"] != "people/vera" {
		t.Errorf("no mask: %d %v", status, answer)
	}
	whole := `{"login":"vera","displayName":"all","roles":["viewer"],"kind":"HUMAN","state":"DISABLED","createTime":"2000-01-01T00:00:00Z"}`
	status, answer, _ = w.rest("PATCH", "/v1/accounts/vera?updateMask=*", w.admin, whole) // "*" replaces all but what the server sets
	if status != 200 || answer["displayName"] != "all" || answer["person"] != "" || answer["state"] != "ACTIVE" || answer["createTime"] == "2000-01-01T00:00:00Z" {
		t.Errorf("a mask of everything: %d %v", status, answer)
	}
	for mask, body := range map[string]string{ // case A13: other values of what the server sets, and of what stays
		"state": `{"state":"DISABLED"}`, "displayName,secondFactor": `{"displayName":"no","secondFactor":true}`, "create_time": `{"createTime":"2000-01-01T00:00:00Z"}`,
	} {
		if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask="+mask, w.admin, body); status != 400 || answer["reason"] != "FIELD_READ_ONLY" {
			t.Errorf("what the server sets, %s: %d %v", mask, status, answer)
		}
	}
	if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera", w.admin, `{"login":"other","displayName":"no"}`); status != 400 || answer["reason"] != "FIELD_FIXED" {
		t.Errorf("another login: %d %v", status, answer)
	}
	_, read, _ := w.rest("GET", "/v1/accounts/vera", w.admin, "")
	read["displayName"] = "all as it was read"
	var all []string
	for field := range read {
		all = append(all, field)
	}
	body, err := json.Marshal(read)
	if err != nil {
		t.Fatal(err)
	}
	status, answer, _ = w.rest("PATCH", "/v1/accounts/vera?updateMask="+strings.Join(all, ","), w.admin, string(body))
	if status != 200 || answer["displayName"] != "all as it was read" || len(all) < 8 { // check API-11: what the server sets is ignored
		t.Errorf("everything as it was read, %v: %d %v", all, status, answer)
	}
	if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask=hairColour", w.admin, `{}`); status != 400 || answer["reason"] != "FIELD_UNKNOWN" {
		t.Errorf("a field that is none: %d %v", status, answer)
	}
}
