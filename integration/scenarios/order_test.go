package scenarios

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"coldsection.example/integration/harness"
)

// text is a member of an answer, "" when it has none.
func text(body map[string]any, name string) string {
	value, _ := body[name].(string)
	return value
}

// must ends the test unless the answer is a success.
func must(t *testing.T, a harness.Answer) map[string]any {
	t.Helper()
	if a.Status != 200 {
		t.Fatalf("%d %v", a.Status, a.Body)
	}
	return a.Body
}

// scheduled drafts a second wash of the story's engine, schedules it two weeks after the story's end and waits until stores
// hold lots for it.
func scheduled(t *testing.T, planner *harness.Person) string {
	t.Helper()
	order := must(t, planner.REST("POST", "/v1/workOrders", `{"engine":"engines/demo-4711","taskCard":"taskCards/recovery-wash"}`))
	at := time.Date(2026, time.October, 28, 6, 0, 0, 0, time.UTC)
	must(t, planner.REST("POST", "/v1/"+text(order, "name")+":schedule", map[string]any{
		"etag": order["etag"], "planStartTime": at, "planEndTime": at.Add(4 * time.Hour), "station": "stations/skerry",
		"assignees": []string{"people/technician"}, "weather": map[string]any{"lowestExpectedC": 8, "source": "forecast", "validTime": at},
	}))
	cursor := ""
	for seen := false; !seen; { // the stores' answer to the schedule is a fact in the feed
		page := must(t, planner.REST("GET", "/v1/events?wait=30s&types=coldsection.stock.reserved.v1&types=coldsection.stock.ran_low.v1&subject="+
			text(order, "name")+"&after="+cursor, nil))
		events, _ := page["events"].([]any)
		if strings.Contains(fmt.Sprint(events), "ran_low") {
			t.Fatalf("stores have too little for the order: %v; of water %v", events, planner.REST("GET",
				"/v1/items/water:suggestLots?quantityValue=1&quantityUnitCode=L&needTime="+at.Format(time.RFC3339), nil).Body)
		}
		seen, cursor = len(events) > 0, text(page, "nextCursor")
		if t.Context().Err() != nil {
			t.Fatal("stores do not answer to the schedule")
		}
	}
	return text(order, "name")
}
