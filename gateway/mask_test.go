package gateway_test

import "testing"

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
	for _, mask := range []string{"state", "name", "displayName,secondFactor", "create_time"} { // case A13
		if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask="+mask, w.admin, `{"displayName":"no","state":"DISABLED"}`); status != 400 || answer["reason"] != "FIELD_READ_ONLY" {
			t.Errorf("what the server sets, %s: %d %v", mask, status, answer)
		}
	}
	if status, answer, _ := w.rest("PATCH", "/v1/accounts/vera?updateMask=hairColour", w.admin, `{}`); status != 400 || answer["reason"] != "FIELD_UNKNOWN" {
		t.Errorf("a field that is none: %d %v", status, answer)
	}
}
