package scenarios

import (
	"net/http"
	"testing"
	"time"
)

// A visit is proposed to a running suite: compliance reads the card from work orders and asks stores for what the work takes, over the connections
// that the suite makes.
func TestAVisitAsksTheOtherParts(t *testing.T) {
	stage, _ := retold(t)
	planner := stage.SignIn(t, "planner")
	first := func(path, collection string) map[string]any {
		t.Helper()
		answer := planner.REST(http.MethodGet, path, nil)
		all, _ := answer.Body[collection].([]any)
		if answer.Status != http.StatusOK || len(all) == 0 {
			t.Fatalf("%s: %d, %v", path, answer.Status, answer.Body)
		}
		one, _ := all[0].(map[string]any)
		return one
	}
	engine, item, due := first("/v1/engines", "engines"), first("/v1/items", "items"), first("/v1/dueItems", "dueItems")
	asOf, _ := due["asOfDate"].(map[string]any)
	day := func(after int) map[string]any {
		n := func(field string) int { f, _ := asOf[field].(float64); return int(f) }
		at := time.Date(n("year"), time.Month(n("month")), n("day")+after, 0, 0, 0, 0, time.UTC)
		return map[string]any{"year": at.Year(), "month": int(at.Month()), "day": at.Day()}
	}
	made := planner.REST(http.MethodPost, "/v1/requirements?requirement_id=rinse", map[string]any{
		"code": "RINSE", "displayName": "Rinse", "kind": "PROGRAMME_ITEM", "document": map[string]any{"title": "Demonstration programme", "revision": "1"},
		"applicability": map[string]any{"engineModels": []any{engine["engineModel"]}}, "effectiveDate": day(0),
		"startEvent": "EFFECTIVE_DATE", "initial": map[string]any{"limits": []any{map[string]any{"unit": "DAYS", "amount": "20"}}}, "taskCard": "taskCards/recovery-wash",
	})
	if made.Status != http.StatusOK {
		t.Fatalf("%d, %v", made.Status, made.Body)
	}
	proposed := planner.REST(http.MethodPost, "/v1/visits:propose", map[string]any{
		"subject": engine["name"], "earliestDate": day(1), "latestDate": day(25), "nextVisitDate": day(30),
		"materialNeeds": []any{map[string]any{"requirement": "requirements/rinse", "item": item["name"], "quantityValue": "0.001", "quantityUnitCode": item["baseUnitCode"]}},
	})
	kinds := map[string]bool{}
	items, _ := proposed.Body["visitItems"].([]any)
	for _, one := range items {
		visit, _ := one.(map[string]any)
		lines, _ := visit["readiness"].([]any)
		for _, l := range lines {
			if line, _ := l.(map[string]any); visit["requirementCode"] == "RINSE" {
				kind, _ := line["kind"].(string)
				kinds[kind] = true
				if line["reason"] == "STORES_UNREACHABLE" || line["reason"] == "WORK_ORDERS_UNREACHABLE" || line["reason"] == "CARD_MISSING" || line["reason"] == "ITEM_UNKNOWN" {
					t.Errorf("%v", line)
				}
			}
		}
	}
	for _, kind := range []string{"CARD", "STOCK", "TOOL", "PERSON"} {
		if !kinds[kind] {
			t.Errorf("%s was not looked for: %d, %v", kind, proposed.Status, proposed.Body)
		}
	}
}
