package scenarios

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// listed are the first cells of the rows that are shown.
func (c clerk) listed() []string {
	c.t.Helper()
	return strings.Split(harness.Value(c.b, chromedp.Evaluate[string](`[...document.querySelectorAll("main tbody tr")].map((r) => r.cells[0].textContent).join("|")`)), "|")
}

// turns follows a link under the list and waits for the page it leads to.
func (c clerk) turns(link, says string) []string {
	c.t.Helper()
	c.presses(link)
	c.settlesOn(says)
	return c.listed()
}

func (c clerk) settlesOn(says string) {
	c.t.Helper()
	c.waitFor(fmt.Sprintf(`(() => {
		const shown = document.querySelector("main"), head = shown.querySelector("caption");
		return Boolean(head) && !shown.inert && shown.dataset.shows === location.hash && head.textContent.includes(%q);
	})()`, says))
}

// A list goes on page by page: what is asked for stays asked for, each row is on one page, the ways back lead back, a page that is loaded anew is the same one, and a
// place in a list that is none any more leads to its beginning, with a word.
func TestListsGoOnPageByPage(t *testing.T) {
	stage, _ := retold(t)
	planner := stage.SignIn(t, "planner")
	for range 104 {
		must(t, planner.REST("POST", "/v1/workOrders", map[string]any{"engine": "engines/demo-4711", "taskCard": "taskCards/ground-run"}))
	}
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	c.begins(stage, "planner", "Due list")
	open(t, c.b, stage, "orders?state=DRAFTED", "Orders")
	c.settlesOn("1 to 50, and more follow")
	first := c.listed()
	second := c.turns("Next", "51 to 100, and more follow")
	c.b.Picture("paging-telephone")
	third := c.turns("Next", "101 to 104 of 104")
	seen := map[string]bool{}
	for _, number := range append(append(append([]string{}, first...), second...), third...) {
		seen[number] = true
	}
	if len(seen) != 104 || seen["WO-2026-0001"] {
		t.Errorf("%d drafted orders were seen, the released one among them: %t", len(seen), seen["WO-2026-0001"])
	}
	if back := c.turns("Previous", "51 to 100"); back[0] != second[0] {
		t.Errorf("the page before begins with %s, want %s", back[0], second[0])
	}
	c.b.Do(chromedp.Reload())
	c.settlesOn("51 to 100")
	if chosen := harness.Value(c.b, chromedp.Evaluate[string](`document.getElementById("state").value`)); chosen != "DRAFTED" || c.listed()[0] != second[0] {
		t.Errorf("loaded anew it is a page of %q that begins with %s", chosen, c.listed()[0])
	}
	if back := c.turns("First", "1 to 50"); back[0] != first[0] {
		t.Errorf("the first page begins with %s, want %s", back[0], first[0])
	}
	if whole := c.turns("Up to 1000 on a page", "all 104"); len(whole) != 104 {
		t.Errorf("on one page are %d", len(whole))
	}
	open(t, c.b, stage, "orders?from=none&row=51", "Orders")
	c.settlesOn("1 to 50")
	c.shows("The list was asked for anew, so its first page is shown.")
	if wide := harness.Value(c.b, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)); wide {
		t.Error("the page is wider than the screen")
	}
}
