package scenarios

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// rinsing is a kitted rinse that was planned for 12 °C, a day and two hours before now.
func rinsing(t *testing.T, w *bench) string {
	t.Helper()
	planner, stores := w.as("planner"), w.as("stores")
	order := must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/salt-rinse"}))
	name := text(order, "name")
	must(t, planner.REST("POST", "/v1/"+name+":schedule", map[string]any{
		"etag": order["etag"], "planStartTime": w.now.Add(time.Hour), "station": "stations/skerry", "weather": map[string]any{"lowestExpectedC": 12, "source": "forecast"},
	}))
	inFeed(t, planner, name, "coldsection.stock.reserved.v1")
	must(t, stores.REST("POST", "/v1/lots/water-1:issue", map[string]any{"workOrder": name, "quantity": quantity("4", "L")}))
	inFeed(t, planner, name, "coldsection.workorder.kitted.v1")
	w.pass(26 * time.Hour)
	return name
}

// inFeed waits until the feed has a fact about an order.
func inFeed(t *testing.T, reader *harness.Person, order, fact string) {
	t.Helper()
	for cursor, found := "", 0; found == 0; {
		page := must(t, reader.REST("GET", "/v1/events?wait=30s&types="+fact+"&subject="+order+"&after="+cursor, nil))
		found, cursor = len(elements(page, "events")), text(page, "nextCursor")
		if t.Context().Err() != nil {
			t.Fatalf("%s never came about %s", fact, order)
		}
	}
}

// A wash that was put off is not begun on another day's weather: the page asks for what is expected now beside what was refused, records it for the station, and
// what was typed before is still there and is sent.
func TestAWashThatWasPutOffAsksForTheWeather(t *testing.T) {
	w := benchFor(t, rinsing)
	c := clerk{t, w.b}
	c.types("serial-read", "DEMO-4711")
	w.press("Start the work", "would begin more than a day away")
	w.handy("weather-asked")
	w.press("Record it for Skerry base", "Not saved")
	c.atField("now-cold", "lowest temperature")
	c.types("now-cold", "13,5")
	c.types("now-source", "forecast of today")
	w.press("Record it for Skerry base", "")
	c.shows("13.5 °C is recorded for Skerry base")
	if typed := harness.Value(w.b, chromedp.Evaluate[string](`document.getElementById("serial-read").value`)); typed != "DEMO-4711" {
		t.Errorf("of what was typed %q is left", typed)
	}
	w.press("Start the work", "1 of ")
	kept := must(t, w.as("planner").REST("GET", "/v1/stations/skerry", nil))
	weather, _ := kept["weather"].(map[string]any)
	if weather["lowestExpectedC"] != 13.5 || !strings.Contains(text(weather, "source"), "of today") || text(kept, "timeZone") == "" {
		t.Errorf("the station is %v", kept)
	}
}
