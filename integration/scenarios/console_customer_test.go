package scenarios

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/suite/story"
)

// letIn makes an account that looks on, limited to owners where some are named.
func letIn(t *testing.T, stage *harness.Stage, login string, owners ...string) {
	t.Helper()
	admin := stage.SignIn(t, "admin")
	account := map[string]any{"login": login, "displayName": login, "roles": []string{"viewer"}, "kind": "HUMAN"}
	if len(owners) > 0 {
		account["owners"] = owners
	}
	must(t, admin.REST("POST", "/v1/accounts?accountId="+login, account))
	token := text(must(t, admin.REST("POST", "/v1/accounts/"+login+":invite", map[string]any{})), "token")
	must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": token, "password": story.Password}))
}

// comes signs an account in, in place of whoever was there.
func (c clerk) comes(stage *harness.Stage, login string) string {
	c.t.Helper()
	if harness.Value(c.b, chromedp.Evaluate[bool](`document.querySelector("#who button") !== null`)) {
		leave(c.b)
	}
	enterAs(c.b, stage, login)
	return c.b.Text("header")
}

// A customer sees their own things, and is told what an account like theirs does not see: nothing that is kept from them looks as if it did not exist, and no way leads
// to a page that would be refused. Who looks on is offered nothing that only others may do.
func TestWhoLooksOnSeesWhatIsTheirs(t *testing.T) {
	stage, out := retold(t)
	letIn(t, stage, "customer", "demo-operator")
	letIn(t, stage, "stranger", "somebody-else")
	letIn(t, stage, "auditor")
	order := strings.Replace(out.WorkOrder, "workOrders/", "order/", 1)
	c := clerk{t, harness.OpenBrowser(t, 390, 844)}
	c.b.Do(chromedp.Navigate(stage.URL("/")))
	if head := c.comes(stage, "customer"); !strings.Contains(head, "sees what belongs to demo-operator") || strings.Contains(head, "Shelf list") || strings.Contains(head, "Setting up") {
		t.Errorf("a customer is offered %s", head)
	}
	for page, want := range map[string]struct {
		heading, shown string
		hidden         []string
	}{
		"engine/demo-4711": {"Engine DEMO-4711", "The readings one by one are not open to your account", []string{"No reading of this engine yet"}},
		order:              {"Order WO-2026-0001", "not open to your account", []string{"Look at the work", "Work pack, PDF", "null"}},
		"shelf":            {"Shelf list", "your account sees only what belongs to demo-operator", []string{"Nothing is there"}},
		"packs":            {"Record packs", "This page is for quality", []string{"may not call"}},
	} {
		shown := open(t, c.b, stage, page, want.heading)
		for _, words := range want.hidden {
			if strings.Contains(shown, words) {
				t.Errorf("a customer is told %q on %s: %s", words, page, shown)
			}
		}
		if !strings.Contains(shown, want.shown) {
			t.Errorf("a customer is not told %q on %s: %s", want.shown, page, shown)
		}
	}
	c.comes(stage, "stranger")
	if shown := open(t, c.b, stage, "orders", "Orders"); strings.Contains(shown, "WO-2026") {
		t.Errorf("another customer sees %s", shown)
	}
	c.comes(stage, "auditor")
	for page, want := range map[string]string{"receive": "Stores book in what arrives", "issue": "Stores issue what is needed"} {
		shown := open(t, c.b, stage, page, map[string]string{"receive": "Receiving", "issue": "Issue desk"}[page])
		if offered := harness.Value(c.b, chromedp.Evaluate[int](`document.querySelectorAll("main :is(input, select, button)").length`)); !strings.Contains(shown, want) || offered != 0 {
			t.Errorf("who looks on is offered %d things on %s: %s", offered, page, shown)
		}
	}
	c.onATablet(stage)
}

// onATablet holds it upright: no column is out of sight; and on paper stands what is known of a lot and of what is due, and nothing of what is pressed.
func (c clerk) onATablet(stage *harness.Stage) {
	c.t.Helper()
	c.comes(stage, "stores")
	c.b.Do(chromedp.EmulateViewport(768, 1024))
	for page, heading := range map[string]string{"due": "Due list", "shelf": "Shelf list", "lot/water-1": "Lot ", "orders": "Orders"} {
		open(c.t, c.b, stage, page, heading)
		out := harness.Value(c.b, chromedp.Evaluate[string](`[...document.querySelectorAll(".scroll")].filter((n) => n.scrollWidth > n.clientWidth + 1)
			.map((n) => n.querySelector("caption").textContent).join("; ")`))
		if out != "" {
			c.t.Errorf("on %s these tables go beyond the screen: %s", page, out)
		}
	}
	for page, want := range map[string]string{"lot/water-1": "Its movements", "due": "5830:00 h"} {
		open(c.t, c.b, stage, page, map[string]string{"lot/water-1": "Lot ", "due": "Due list"}[page])
		said := printingtest.Text(c.t, harness.Value(c.b, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4))))
		buttons := strings.Contains(said, "What can be done with it") || strings.Contains(said, "What now") || strings.Contains(said, "Put it aside")
		if buttons || !strings.Contains(strings.Join(strings.Fields(said), " "), want) {
			c.t.Errorf("%s is printed as %s", page, said)
		}
	}
}
