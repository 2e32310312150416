package server_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// A slip says what to fetch from where, which lot and why, and why others were passed over; programs that had no part in making it
// find it a document of the archive kind and read its codes.
func TestASlipOfWhatAnOrderNeeds(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		slip := func(order string) (*consumablesv1.RenderIssueSlipResponse, error) {
			return d.RenderIssueSlip(d.as("tina", "technician"), &consumablesv1.RenderIssueSlipRequest{WorkOrder: order})
		}
		_, err := slip(order)
		refused(t, "of no demand", err, "WORK_ORDER_UNKNOWN")
		_, err = slip("locations/shelf")
		refused(t, "of no order", err, "WORK_ORDER_UNKNOWN")
		d.received("cleaner", "held", "5", days(20))
		first, later := d.stocked("cleaner", "first", "1", days(30)), d.stocked("cleaner", "later", "5", days(200))
		d.needs(order, "cleaner", "1.5")
		resp := of(slip(order)).done(t)
		printingtest.CheckArchive(t, resp.GetContent())
		if dir := os.Getenv("COLDSECTION_TEST_KEEP"); dir != "" { // to look at it
			of(0, os.WriteFile(filepath.Join(dir, resp.GetFileName()), resp.GetContent(), 0o600)).done(t)
		}
		said := strings.Join(strings.Fields(printingtest.Text(t, resp.GetContent())), " ")
		for _, words := range []string{
			"Issue slip for workOrders/w1", "cleaner: 1 L", "cleaner: 0.5 L", "H319 Causes serious eye irritation", "M-first", "M-later", first.GetShortCode(), later.GetShortCode(),
			"shelf", "the earliest that is still good", "Not taken: Lot lots/held is held", "Taken, amount and unit", "Received by",
		} {
			if !strings.Contains(said, words) {
				t.Errorf("it does not say %q: %s", words, said)
			}
		}
		if hazard, amount := strings.Index(said, "H319"), strings.Index(said, "Taken, amount"); hazard < 0 || amount < hazard {
			t.Error("the hazard does not stand before what is taken")
		}
		if code := printingtest.QR(t, printingtest.Render(t, resp.GetContent(), 1, 300)); !strings.Contains(code, order) || !strings.Contains(code, first.GetShortCode()) {
			t.Errorf("the codes say %q", code)
		}
		of(d.issue(first.GetName(), order, "1")).done(t)
		of(d.issue(later.GetName(), order, "0.5")).done(t)
		_, err = slip(order)
		refused(t, "of what went out", err, "NOTHING_TO_FETCH")
	})
}
