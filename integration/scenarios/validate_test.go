package scenarios

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"testing"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite"
)

// asked is a request that can be asked without being made; with it, the one to make is the same without the asking.
type asked struct {
	name, login, path string
	body              map[string]any
	byQuery           bool   // asked in the query and not in the body
	reason            string // of its refusal, "" when it would succeed
}

// send asks, or makes the request.
func (a asked) send(t *testing.T, who *harness.Person, only bool) harness.Answer {
	t.Helper()
	body, path := maps.Clone(a.body), a.path
	switch {
	case only && a.byQuery:
		path = with(path, "validateOnly=true")
	case only:
		body["validateOnly"] = true
	}
	return who.REST("POST", path, body)
}

// inTable is the first reason of an import's answer; a table with faults is answered, not refused.
func inTable(a harness.Answer) string {
	for _, f := range elements(a.Body, "faults") {
		fault, _ := f.(map[string]any)
		return text(fault, "reason")
	}
	return a.Reason()
}

// Check API-20: asking what would happen says what doing it says, and leaves the same number of rows in every table of every service and of the gateway.
func validateOnlyChangesNothing(t *testing.T, in told) {
	order := scheduled(t, in.stage.SignIn(t, "planner"))
	issue := func(amount string) map[string]any {
		return map[string]any{"workOrder": order, "quantity": quantity(amount, "L")}
	}
	items := func(lines string) map[string]any { return map[string]any{"rows": "ITEMS", "content": []byte(lines)} }
	for _, a := range []asked{
		{name: "issue", login: "stores", path: "/v1/lots/cleaner-a:issue", body: issue("0.1")},
		{name: "issue of too much", login: "stores", path: "/v1/lots/cleaner-a:issue", body: issue("1000"), reason: "INSUFFICIENT_STOCK"},
		{name: "issue of an old lot", login: "stores", path: "/v1/lots/cleaner-old:issue", body: issue("1"), reason: "LOT_EXPIRED"},
		{name: "issue by another", login: "technician", path: "/v1/lots/cleaner-a:issue", body: issue("1"), reason: "ROLE_MISSING"},
		{name: "draft", login: "planner", path: "/v1/workOrders", byQuery: true, body: map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/recovery-wash"}},
		{name: "draft by a card that is not there", login: "planner", path: "/v1/workOrders", byQuery: true,
			body: map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/none"}, reason: "TASK_CARD_UNKNOWN"},
		{name: "import of items", login: "stores", path: "/v1/lots:import", body: items("item_id,name,kind,unit\ntrial-item,Trial,OTHER,kg\n")},
		{name: "import of an odd item", login: "stores", path: "/v1/lots:import", body: items("item_id,name,kind,unit\ntrial-item,Trial,GLUE,kg\n"), reason: "ITEM_KIND_UNKNOWN"},
		{name: "import of no table", login: "stores", path: "/v1/lots:import", body: items("what\n1\n"), reason: "HEADER_INVALID"},
		{name: "import of aircraft", login: "planner", path: "/v1/aircraft:import", body: map[string]any{"rows": "AIRCRAFT", "content": []byte("what\n1\n")}, reason: "HEADER_INVALID"},
		{name: "import of many aircraft", login: "planner", path: "/v1/aircraft:bulkImport", body: map[string]any{"rows": "AIRCRAFT", "content": []byte("what\n1\n")}, reason: "HEADER_INVALID"},
		{name: "import of many readings", login: "analyst", path: "/v1/readings:bulkImport", body: map[string]any{"content": []byte("what\n1\n")}, reason: "HEADER_INVALID"},
		{name: "pack", login: "quality", path: "/v1/recordPacks?recordPackId=trial", byQuery: true, body: map[string]any{"subject": "engines/demo-4711"}},
		{name: "pack of what is not there", login: "quality", path: "/v1/recordPacks", byQuery: true, body: map[string]any{"subject": "engines/none"}, reason: "NOT_FOUND"},
		{name: "pack of times to come", login: "quality", path: "/v1/recordPacks", byQuery: true,
			body: map[string]any{"subject": "engines/demo-4711", "asOfTime": "2126-01-01T00:00:00Z"}, reason: "TIME_IN_FUTURE"},
		{name: "pack by another", login: "technician", path: "/v1/recordPacks", byQuery: true, body: map[string]any{"subject": "engines/demo-4711"}, reason: "ROLE_MISSING"},
		{name: "import of readings", login: "analyst", path: "/v1/readings:import", body: map[string]any{"csv": "what\n1\n"}, reason: "HEADER_INVALID"},
	} {
		who := in.stage.SignIn(t, a.login)
		would := undisturbed(t, in.stage, a.name, func() harness.Answer { return a.send(t, who, true) })
		if a.reason == "" {
			if would.Status != http.StatusOK || inTable(would) != "" {
				t.Errorf("%s that would succeed: %d %v", a.name, would.Status, would.Body)
			}
			continue
		}
		does := a.send(t, who, false)
		delete(would.Body, "requestId") // of the call, not of the thing
		delete(does.Body, "requestId")
		if inTable(would) != a.reason || would.Status != does.Status || jsonText(t, would.Body) != jsonText(t, does.Body) {
			t.Errorf("%s: would be answered %d %v, is answered %d %v, want %s", a.name, would.Status, would.Body, does.Status, does.Body, a.reason)
		}
	}
	planner := in.stage.SignIn(t, "planner")
	undisturbed(t, in.stage, "a work pack", func() harness.Answer {
		return planner.REST("GET", "/v1/"+in.out.WorkOrder+":export", nil, "Accept", "application/json")
	})
}

// undisturbed is the answer to what must change no table. Services may still be at work on earlier facts, so what differed is
// tried again: what changes a table itself changes it every time.
func undisturbed(t *testing.T, stage *harness.Stage, what string, call func() harness.Answer) harness.Answer {
	t.Helper()
	var answer harness.Answer
	var different string
	for range 8 {
		before := rows(t, stage)
		answer = call()
		if different = differing(before, rows(t, stage)); different == "" {
			return answer
		}
	}
	t.Errorf("%s changes %s every time", what, different)
	return answer
}

// differing names the tables whose rows differ in number.
func differing(before, after map[string]int) (tables string) {
	for name, count := range after {
		if before[name] != count {
			tables += fmt.Sprintf(" %s: %d, then %d", name, before[name], count)
		}
	}
	return tables
}

// rows counts the rows of every table of every service and of the gateway. Left out are only the lines of who called what, which a call that changes
// nothing has too.
func rows(t *testing.T, stage *harness.Stage) map[string]int {
	t.Helper()
	counts := map[string]int{}
	for _, part := range suite.Parts {
		if err := count(t.Context(), filepath.Join(stage.State, part+".db"), part, counts); err != nil {
			t.Fatal(err)
		}
	}
	if _, there := counts["gateway.audit_events"]; !there {
		t.Fatal("the gateway's lines of who called what are elsewhere now")
	}
	delete(counts, "gateway.audit_events")
	if len(counts) < 60 {
		t.Fatalf("only %d tables", len(counts))
	}
	return counts
}

// count adds the tables of one database file.
func count(ctx context.Context, file, part string, counts map[string]int) error {
	db, err := sql.Open("sqlite", "file:"+file+"?mode=ro")
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	tables, err := db.QueryContext(ctx, "SELECT name FROM sqlite_master WHERE type = 'table'")
	if err != nil {
		return err
	}
	defer func() { _ = tables.Close() }()
	var names []string
	for tables.Next() {
		var name string
		if err := tables.Scan(&name); err != nil {
			return err
		}
		names = append(names, name)
	}
	if err := tables.Err(); err != nil {
		return err
	}
	for _, name := range names {
		n := 0
		if err := db.QueryRowContext(ctx, fmt.Sprintf("SELECT count(*) FROM %q", name)).Scan(&n); err != nil {
			return err
		}
		counts[part+"."+name] = n
	}
	return nil
}
