package scenarios

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/suite/story"
)

// mixing is somebody at the page on which an order's solution is mixed.
type mixing struct {
	*reader

	order, cleaner, water string
}

// movements are those of the order of a kind, oldest first.
func (m mixing) movements(kind string) (found []map[string]any) {
	m.t.Helper()
	filter := url.QueryEscape(fmt.Sprintf("work_order = %q AND kind = %s", m.order, kind))
	for _, e := range elements(must(m.t, m.stage.SignIn(m.t, "quality").REST("GET", "/v1/stockMovements?orderBy=create_time&filter="+filter, nil)), "stockMovements") {
		movement, _ := e.(map[string]any)
		found = append(found, movement)
	}
	return found
}

// holds is how much of a lot the order has, by the ledger.
func (m mixing) holds(lot string) string {
	m.t.Helper()
	for _, e := range elements(must(m.t, m.stage.SignIn(m.t, "quality").REST("GET", "/v1/"+lot, nil)), "balances") {
		if balance, _ := e.(map[string]any); text(balance, "location") == m.order {
			return quantityText(balance["quantity"])
		}
	}
	return "nothing"
}

func quantityText(v any) string {
	q, _ := v.(map[string]any)
	return text(q, "value") + " " + text(q, "unitCode")
}

// part is the id of the box of a lot.
func part(lot string) string { return "part-" + strings.TrimPrefix(lot, "lots/") }

// issued hands out of a lot to the order.
func (m mixing) issued(lot, litres string) {
	m.t.Helper()
	must(m.t, m.stage.SignIn(m.t, "stores").REST("POST", "/v1/"+lot+":issue", map[string]any{
		"workOrder": m.order, "quantity": map[string]any{"value": litres, "unitCode": "L"}, "overrideReason": "demonstration only",
	}))
}

// comesTo sees the page of the order, and that what can hurt stands before what is typed.
func (m mixing) comesTo(words ...string) {
	m.t.Helper()
	m.goesToPage("jobs")
	m.goesToPage("mix/" + strings.TrimPrefix(m.order, "workOrders/"))
	m.shows(words...)
	shown := m.b.Text("main")
	form := strings.Index(shown, "measured in")
	for _, w := range []string{"CAUTION: Before you mix", "safety data sheet revision 3", "H319 Causes serious eye irritation", "Never put two cleaners together"} {
		if at := strings.Index(shown, w); at < 0 || at > form {
			m.t.Errorf("%q does not stand before the form (%d, %d): %s", w, at, form, shown)
		}
	}
}

// made is the newest mix of the order with what it was made of, held against what was typed and against the ledger.
func (m mixing) made(number int, output string, parts map[string]string) map[string]any {
	m.t.Helper()
	moves := m.movements("BLENDED")
	if len(moves) != number {
		m.t.Fatalf("%d mixes are recorded, not %d", len(moves), number)
	}
	lot := must(m.t, m.stage.SignIn(m.t, "quality").REST("GET", "/v1/"+text(moves[number-1], "lot"), nil))
	got := map[string]string{}
	for _, e := range elements(lot, "parents") {
		parent, _ := e.(map[string]any)
		got[text(parent, "lot")] = quantityText(parent["quantity"])
	}
	if fmt.Sprint(got) != fmt.Sprint(parts) || quantityText(lot["received"]) != output || m.holds(text(lot, "name")) != output || text(lot, "state") != "USABLE" {
		m.t.Errorf("%v out of %v, with the order %s, wanted %s out of %v", lot, got, m.holds(text(lot, "name")), output, parts)
	}
	return lot
}

// An order's solution is mixed at the console: what can hurt stands before the form, what the service refuses stands at its field, nothing is recorded before it was
// shown once more, and then the ledger has just what was typed, and the page the label and the end of the pot life.
func TestASolutionIsMixedInTheBrowser(t *testing.T) {
	stage, out := retold(t)
	now := lastTouched(t, stage, out.WorkOrder).Add(24 * time.Hour)
	if err := stage.SetClock(now); err != nil {
		t.Fatal(err)
	}
	m := mixing{newReader(t, stage), scheduled(t, stage.SignIn(t, "planner")), out.CleanerLot, out.WaterLot}
	m.begins(stage, "technician", "Jobs")
	m.goesToPage("mix/" + strings.TrimPrefix(m.order, "workOrders/"))
	m.shows("The order does not hold what a mix is made of", "Nothing was mixed for this order yet.")
	m.issued(m.cleaner, "0.5")
	m.issued(m.water, "2")
	m.byARatio()
	signsARecipe(t, stage)
	m.byTheRecipe(now)
	m.begins(stage, "inspector", "Jobs")
	m.goesToPage("mix/" + strings.TrimPrefix(m.order, "workOrders/"))
	m.shows("A technician or stores record what is mixed.", "Mixed for this order")
	if form := harness.Value(m.b, chromedp.Evaluate[bool](`document.getElementById("mix-form") !== null`)); form {
		t.Error("an inspector is asked for a mix")
	}
}

// byARatio mixes without a recipe, by the ratio that is approved for the cleaner: four parts of water to one.
func (m mixing) byARatio() {
	m.t.Helper()
	m.comesTo("no recipe: by an approved ratio", "4 parts of water to 1 of cleaner", "The order holds 0.5 L.")
	m.looks("technician", "mix/"+strings.TrimPrefix(m.order, "workOrders/"))
	m.presses("Check the mix")
	m.shows("A mix is made of two lots at least.")
	m.types(part(m.cleaner), "0,2")
	m.types(part(m.water), "a cup")
	m.presses("Check the mix")
	m.atField(part(m.water), "“a cup” is no amount")
	m.types(part(m.water), "0.8")
	m.types("out", "0.99")
	m.types("keeps", "9")
	m.presses("Check the mix")
	m.atField("keeps", "keeps 8 hours at most once mixed; 9 were asked for")
	m.pictures("mixing-refused")
	m.types("keeps", "4")
	m.types(part(m.cleaner), "0.6")
	m.presses("Check the mix")
	m.waitFor(`document.querySelector("#mix-form [role=alert]").textContent.includes("Measure again")`)
	m.types(part(m.cleaner), "0.2")
	m.presses("Check the mix")
	m.shows("Nothing is recorded yet. This is what will be", "Record the mix")
	m.pictures("mixing-checked")
	if moves := m.movements("BLENDED"); len(moves) != 0 {
		m.t.Errorf("before it is recorded the ledger has %v", moves)
	}
	m.types("out", "0.98")
	m.waitFor(`document.getElementById("mix-checked").textContent === ""`) // what was changed is checked anew
	m.presses("Check the mix")
	m.waitFor(`document.getElementById("mix-checked").textContent.includes("4 parts of water to 1 of cleaner")`)
	m.presses("Record the mix")
	m.shows("Mixed: 0.98 L of Wash solution, mixed here, code ")
	lot := m.made(1, "0.98 L", map[string]string{m.cleaner: "0.2 L", m.water: "0.8 L"})
	if m.holds(m.cleaner) != "0.3 L" || m.holds(m.water) != "1.2 L" || text(lot, "recipe") != "" {
		m.t.Errorf("left with the order: %s of cleaner, %s of water; recipe %q", m.holds(m.cleaner), m.holds(m.water), text(lot, "recipe"))
	}
	m.labelled(lot)
}

// labelled sees the mix in the list, with the end of its life and a label that can be printed.
func (m mixing) labelled(lot map[string]any) {
	m.t.Helper()
	m.shows(text(lot, "shortCode"), strings.Replace(text(lot, "expireTime")[:16], "T", " ", 1)+"Z")
	m.pictures("mixing-done")
	m.waitFor(`document.getElementById("out").value === ""`)
	got := harness.Value(m.b, chromedp.Evaluate[string](`(() => {
		const asked = new XMLHttpRequest();
		asked.open("GET", [...document.querySelectorAll("td a[download]")].find((a) => a.href.includes("`+text(lot, "name")+`:renderLabel")).href, false);
		asked.send();
		return [asked.status, asked.getResponseHeader("Content-Type"), asked.responseText.slice(0, 5)].join(" ");
	})()`))
	if got != "200 application/pdf %PDF-" {
		m.t.Errorf("the link of the label gives %q", got)
	}
}

// signsARecipe has quality sign how the solution is mixed; its numbers are invented, demonstration only.
func signsARecipe(t *testing.T, stage *harness.Stage) {
	t.Helper()
	quality := stage.SignIn(t, "quality")
	proof := must(t, quality.REST("POST", "/v1/sessions:reauthenticate", map[string]any{"password": story.Password}))
	must(t, quality.REST("POST", "/v1/recipes", map[string]any{
		"recipeId": "solution", "reauthenticationToken": proof["reauthenticationToken"],
		"recipe": map[string]any{
			"displayName": "Solution by our manual", "item": "items/wash-solution", "lossMaxPermille": 30, "potLifeHours": 6,
			"document":    map[string]any{"title": "Invented manual, demonstration only", "revision": "4"},
			"ingredients": []any{map[string]any{"item": "items/water", "parts": 4}, map[string]any{"item": "items/cleaner", "parts": 1}},
		},
	}))
}

// byTheRecipe mixes by the recipe that is in force since then, in other units.
func (m mixing) byTheRecipe(now time.Time) {
	m.t.Helper()
	m.comesTo("Solution by our manual, revision 1, by Invented manual, demonstration only, rev. 4: 4 parts of Demineralised water, 1 part of Compressor cleaner", "keeps 6 h at most")
	m.picks(part(m.cleaner)+"-unit", "mL")
	m.types(part(m.cleaner), "250")
	m.types(part(m.water), "1,1")
	m.types("out", "1.34")
	m.presses("Check the mix")
	m.waitFor(`document.querySelector("#mix-form [role=alert]").textContent.includes("is not its share")`)
	m.types(part(m.water), "1")
	m.types("out", "1.24")
	m.presses("Check the mix")
	m.shows("Solution by our manual, revision 1", "250 mL of ")
	m.presses("Record the mix")
	m.shows("Mixed: 1.24 L of Wash solution, mixed here, code ")
	lot := m.made(2, "1.24 L", map[string]string{m.cleaner: "250 mL", m.water: "1 L"})
	ends, err := time.Parse(time.RFC3339Nano, text(lot, "expireTime"))
	end := now.Add(6 * time.Hour)
	if err != nil || text(lot, "recipe") != "recipes/solution" || fmt.Sprint(lot["recipeRevision"]) != "1" || ends.Before(end) || ends.After(end.Add(5*time.Minute)) {
		m.t.Errorf("usable until %v (%v), recipe %v %v", ends, err, lot["recipe"], lot["recipeRevision"])
	}
	m.labelled(lot)
}

// pictures keeps how it looks on a desk and on the narrowest telephone, where nothing is wider than the screen.
func (m mixing) pictures(name string) {
	m.t.Helper()
	for _, width := range []int64{320, 1280} {
		m.b.Do(chromedp.EmulateViewport(width, 900))
		m.b.Picture(fmt.Sprintf("%s-%d", name, width))
		for _, fault := range m.faults() {
			m.t.Errorf("%s, %d px wide: %s", name, width, fault)
		}
	}
}
