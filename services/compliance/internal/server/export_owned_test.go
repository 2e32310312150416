package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// The lists of directives, life limits, of what is last done and next due, of what is due and of findings hold to an owner's account what is its own; asked for another's
// thing they are what they are for one that does not exist. A status of another's is refused in those words.
func TestListsHoldTheirOwnersThingsOnly(t *testing.T) {
	w := onSQLite(t)
	w.lentWithRecords()
	w.require("directive", compliancev1.Requirement_DIRECTIVE, 500)
	ask := func(who string, content compliancev1.ExportDueItemsRequest_Content, filter string) string {
		t.Helper()
		return string(must(w.exchange.ExportDueItems(w.guest(who), &compliancev1.ExportDueItemsRequest{Content: content, Filter: filter}))(t).GetContent())
	}
	field := map[compliancev1.ExportDueItemsRequest_Content]string{
		compliancev1.ExportDueItemsRequest_DUE_LIST: "subject", compliancev1.ExportDueItemsRequest_DIRECTIVES: "subject", compliancev1.ExportDueItemsRequest_LAST_AND_NEXT: "subject",
		compliancev1.ExportDueItemsRequest_LIFE_LIMITS: "host", compliancev1.ExportDueItemsRequest_OPEN_FINDINGS: "engine",
	}
	for content, by := range field {
		for owner, other := range map[string]string{"north": "engines/one", "south": "engines/two"} {
			all := ask(owner, content, "")
			if found := notToTell[owner].FindString(all); found != "" {
				t.Errorf("%s for %s tells of %q:\n%s", content, owner, found, all)
			}
			if of, none := ask(owner, content, by+` = "`+other+`"`), ask(owner, content, by+` = "engines/none"`); of != none || strings.Count(of, "\n") != 1 {
				t.Errorf("%s for %s of another's thing:\n%s\nof none:\n%s", content, owner, of, none)
			}
		}
		if told := ask("north", content, ""); content != compliancev1.ExportDueItemsRequest_OPEN_FINDINGS && strings.Count(told, "\n") < 2 {
			t.Errorf("%s for north is empty, so the walk proves nothing", content)
		}
	}
	status := func(id string) error {
		_, err := w.exchange.ExportDueItems(w.guest("south"), &compliancev1.ExportDueItemsRequest{Content: compliancev1.ExportDueItemsRequest_STATUS, Subject: "engines/" + id})
		return err
	}
	another, none := status("two"), status("zzz")
	if refused(t, another, "NOT_FOUND"); another.Error() != strings.ReplaceAll(none.Error(), "zzz", "two") {
		t.Errorf("%v is not %v", another, none)
	}
}
