package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
)

const (
	gtin = "09521234543213" // of the BWIPP manual's example, case G05
	gs   = "\x1d"
	// supplied is a delivery's code with the lot last, as in case G08.
	supplied = "]d201" + gtin + "1727013110LOT7A"
)

// supplied gives an item a trade item number, as a clerk does once, or takes it away where none is given.
func (d desk) supplied(item, number string) {
	d.t.Helper()
	known := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/" + item})).done(d.t)
	if known.ExternalIds = map[string]string{"gtin": number}; number == "" {
		known.ExternalIds = nil
	}
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: known, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"external_ids"}}})).done(d.t)
}

func (d desk) scan(code, order string) *consumablesv1.ParseScanResponse {
	d.t.Helper()
	return of(d.ParseScan(d.clerk(), &consumablesv1.ParseScanRequest{Code: code, WorkOrder: order})).done(d.t)
}

// action is why a verb is refused; "allowed" when it is not, "none" when it was not judged.
func action(resp *consumablesv1.ParseScanResponse, verb consumablesv1.ScanAction_Verb) string {
	for _, a := range resp.GetActions() {
		if a.GetVerb() == verb {
			if a.GetAllowed() {
				return "allowed"
			}
			return a.GetReason()
		}
	}
	return "none"
}

func warnings(resp *consumablesv1.ParseScanResponse) string {
	var reasons []string
	for _, w := range resp.GetWarnings() {
		reasons = append(reasons, w.GetReason())
	}
	return strings.Join(reasons, " ")
}

// STO-10: a supplier's code with an item, a use-by and a lot of variable length fills the fields; a day 00 is the last of the
// month. What it drafts is booked as it stands, with the place, amount and certificate that no code knows.
func TestReceivingByScan(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.supplied("cleaner", gtin[1:]) // with 13 digits it is the same number
		for lot, code := range map[string]string{
			"LOT7A": "]d201" + gtin + "10LOT7A" + gs + "17270200" + "11260131" + "3152000500", "LOT7B": "]C101" + gtin + "1727020011260131" + "3152000500" + "10LOT7B",
			"LOT7C": "https://id.example/01/" + gtin + "/10/LOT7C?17=270200&11=260131&3152=000500",
		} {
			resp := d.scan(code, "")
			if resp.GetItem() != "items/cleaner" || resp.GetGtin() != gtin || resp.GetLot() != nil || resp.GetUsable() || resp.GetReason() != "LOT_UNKNOWN" {
				t.Fatalf("%q: %v", code, resp)
			}
			if got := action(resp, consumablesv1.ScanAction_RECEIVE) + " " + warnings(resp); got != "allowed " {
				t.Fatalf("%q: receive %s", code, got)
			}
			draft := resp.GetReceiveDraft()
			if q := draft.GetQuantity(); q.GetValue() != "5.00" || q.GetUnitCode() != "L" {
				t.Errorf("%q: amount %v", code, q)
			}
			draft.Location, draft.Lot.Certificate = shelf, &consumablesv1.Certificate{Number: "C-1"}
			got := of(d.ReceiveLot(d.clerk(), draft)).done(t)
			if got.GetManufacturerLot() != lot || got.GetItem() != "items/cleaner" || got.GetUseByDate().String() != resp.GetUseByDate().String() ||
				got.GetExpireTime().AsTime().Format(time.DateOnly) != "2027-02-28" || got.GetManufactureDate().GetDay() != 31 || got.GetOnHand().GetValue() != "5" {
				t.Errorf("%q: received %v", code, got)
			}
			again := d.scan(code, "")
			if again.GetLot().GetName() != got.GetName() || again.GetReason() != "LOT_HELD" || action(again, consumablesv1.ScanAction_RECEIVE) != "allowed" ||
				action(again, consumablesv1.ScanAction_CLEAR) != "allowed" || action(again, consumablesv1.ScanAction_ISSUE) != "LOT_HELD" {
				t.Errorf("%q again: %v", code, again)
			}
		}
	})
}

// G07: the keyboard scanner dropped the separator, and both readers that were tried return the wrong lot without an error. Here
// it stops: no lot has that number, and no delivery is booked under it.
func TestADroppedSeparatorStops(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.supplied("cleaner", gtin)
		of(d.ReceiveLot(d.clerk(), d.draft())).done(t)
		resp := d.scan("]d201"+gtin+"10LOT7A17270131", order)
		if resp.GetLot() != nil || resp.GetUsable() || resp.GetReason() != "LOT_UNKNOWN" || resp.GetReceiveDraft() != nil || resp.GetIssueDraft() != nil ||
			warnings(resp) != "SEPARATOR_SUSPECTED" || action(resp, consumablesv1.ScanAction_RECEIVE) != "SEPARATOR_SUSPECTED" {
			t.Errorf("%v", resp)
		}
		if why := resp.GetWarnings()[0].GetExplanation(); !strings.Contains(why, "(17)270131") || !strings.Contains(why, "GS (ASCII 29)") {
			t.Errorf("it says %q", why)
		}
		_, err := d.LookUpLot(d.clerk(), &consumablesv1.LookUpLotRequest{Code: "]d201" + gtin + "10LOT7A17270131"})
		refused(t, "looked up", err, "LOT_UNKNOWN")
		if found := of(d.LookUpLot(d.clerk(), &consumablesv1.LookUpLotRequest{Code: supplied})).done(t); found.GetLot().GetManufacturerLot() != "LOT7A" {
			t.Errorf("found %v", found)
		}
	})
}

// draft is what a scan fills in of a delivery, with the rest.
func (d desk) draft() *consumablesv1.ReceiveLotRequest {
	d.t.Helper()
	draft := d.scan(supplied, "").GetReceiveDraft()
	if draft == nil {
		d.t.Fatal("no delivery is drafted")
	}
	draft.Location, draft.Quantity, draft.Lot.Certificate = shelf, litres("20"), &consumablesv1.Certificate{Number: "C-1"}
	return draft
}

func TestIssuingByScan(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.supplied("cleaner", gtin)
		lot := of(d.ReceiveLot(d.clerk(), d.draft())).done(t)
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot.GetName()})).done(t)
		if resp := d.scan(lot.GetShortCode(), order); action(resp, consumablesv1.ScanAction_ISSUE) != "WORK_ORDER_UNKNOWN" || !resp.GetUsable() || resp.GetIssueDraft() != nil {
			t.Errorf("before the job is known: %v", resp)
		}
		d.needs(order, "cleaner", "3.8")
		for _, code := range []string{lot.GetShortCode(), lot.GetName(), "]d291270131" + lot.GetShortCode(), supplied} {
			resp := d.scan(code, order)
			draft := resp.GetIssueDraft()
			if draft.GetName() != lot.GetName() || draft.GetWorkOrder() != order || draft.GetQuantity().GetValue() != "3.8" || draft.GetQuantity().GetUnitCode() != "L" ||
				action(resp, consumablesv1.ScanAction_ISSUE) != "allowed" || warnings(resp) != "" {
				t.Errorf("%q: %v", code, resp)
			}
		}
		if resp := d.scan(lot.GetShortCode(), ""); action(resp, consumablesv1.ScanAction_ISSUE) != "allowed" || resp.GetIssueDraft() != nil ||
			action(resp, consumablesv1.ScanAction_CONSUME) != "INSUFFICIENT_STOCK" || action(resp, consumablesv1.ScanAction_DECANT) != "allowed" ||
			action(resp, consumablesv1.ScanAction_CLEAR) != "LOT_NOT_HELD" || action(resp, consumablesv1.ScanAction_DISPOSE) != "allowed" ||
			action(resp, consumablesv1.ScanAction_RECEIVE) != "none" {
			t.Errorf("without a job: %v", resp.GetActions())
		}
		moved := of(d.IssueStock(d.clerk(), d.scan(lot.GetShortCode(), order).GetIssueDraft())).done(t)
		if d.at(lot.GetName(), order) != "3.8" || moved.GetLot() != lot.GetName() {
			t.Errorf("issued %v", moved)
		}
		after := d.scan(lot.GetShortCode(), order)
		if action(after, consumablesv1.ScanAction_ISSUE) != "NOT_WANTED" || action(after, consumablesv1.ScanAction_CONSUME) != "allowed" {
			t.Errorf("afterwards: %v", after.GetActions())
		}
	})
}

// The same rules stop a scan and the call that it would draft.
func TestAScanSaysWhyNot(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		held := d.received("cleaner", "held", "5", days(100))
		first, later := d.stocked("cleaner", "l1", "5", days(50)), d.stocked("cleaner", "l2", "5", days(60))
		soon := d.stocked("cleaner", "l3", "0.5", days(0))
		water := d.received("water", "w1", "5", days(30))
		d.needs(order, "cleaner", "2")
		for lot, reason := range map[*consumablesv1.Lot]string{
			held: "LOT_HELD", later: "LOT_NOT_FIRST_TO_EXPIRE", first: "allowed", soon: "LOT_EXPIRED", // by the time of the need, tomorrow
		} {
			resp := d.scan(lot.GetShortCode(), order)
			if got := action(resp, consumablesv1.ScanAction_ISSUE); got != reason {
				t.Errorf("%s: %s, wanted %s", lot.GetName(), got, reason)
			}
			_, err := d.issue(lot.GetName(), order, "0.1")
			if (err == nil) != (reason == "allowed") || (err != nil && !fault.HasReason(err, reason)) {
				t.Errorf("%s: the call answers %v, the scan %s", lot.GetName(), err, reason)
			}
		}
		if resp := d.scan(water.GetShortCode(), ""); resp.GetReason() != "LOT_HELD" || action(resp, consumablesv1.ScanAction_CLEAR) != "WATER_NOT_TESTED" {
			t.Errorf("untested water: %v", resp)
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: first.GetName(), Reason: "maker's letter"})).done(t)
		resp := d.scan(first.GetShortCode(), order)
		for _, verb := range []consumablesv1.ScanAction_Verb{consumablesv1.ScanAction_ISSUE, consumablesv1.ScanAction_DECANT, consumablesv1.ScanAction_CONSUME} {
			if got := action(resp, verb); got != "LOT_RECALLED" {
				t.Errorf("recalled: %s %s", verb, got)
			}
		}
	})
}

func TestWhatTheBooksContradict(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.supplied("cleaner", gtin)
		lot := of(d.ReceiveLot(d.clerk(), d.draft())).done(t)
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot.GetName()})).done(t)
		if resp := d.scan("]d201"+gtin+"1727022810LOT7A", ""); resp.GetUsable() || resp.GetReason() != "USE_BY_DIFFERS" || resp.GetLot().GetName() != lot.GetName() ||
			action(resp, consumablesv1.ScanAction_ISSUE) != "USE_BY_DIFFERS" || action(resp, consumablesv1.ScanAction_DECANT) != "USE_BY_DIFFERS" {
			t.Errorf("another use-by: %v", resp)
		}
		// L03 (rule of the stores handbook): opened on 2026-11-25 with 90 days of life once open, until 2027-02-23 at the latest; here
		// the use-by of 2027-01-31 binds, so the label holds. A label with a later day is out of date.
		code := lot.GetShortCode()
		if resp := d.scan("]d291270131"+code, ""); warnings(resp) != "" || !resp.GetUsable() {
			t.Errorf("the label as printed: %v", resp)
		}
		for _, day := range []string{"270201", "000000"} {
			if resp := d.scan("]d291"+day+code, ""); warnings(resp) != "LABEL_OUTDATED" || !resp.GetUsable() {
				t.Errorf("a label of %s: %v", day, resp)
			}
		}
		// A delivery whose code is past its day is not taken in; neither is more of a recalled lot.
		if resp := d.scan("]d201"+gtin+"1726113010LOT8", ""); action(resp, consumablesv1.ScanAction_RECEIVE) != "allowed" {
			t.Errorf("good until the 30th: %v", resp)
		}
		if resp := d.scan("]d201"+gtin+"1726110110LOT8", ""); action(resp, consumablesv1.ScanAction_RECEIVE) != "LOT_EXPIRED" || resp.GetReceiveDraft() != nil {
			t.Errorf("past its day: %v", resp)
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: lot.GetName(), Reason: "maker's letter"})).done(t)
		if resp := d.scan(supplied, ""); action(resp, consumablesv1.ScanAction_RECEIVE) != "LOT_RECALLED" || resp.GetReceiveDraft() != nil {
			t.Errorf("more of a recalled lot: %v", resp)
		}
	})
}

// A container that was filled here has its maker's lot, too; the supplier's code means the lot that it was filled from.
func TestASuppliersCodeMeansTheLotNotItsContainers(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.supplied("cleaner", gtin)
		lot := of(d.ReceiveLot(d.clerk(), d.draft())).done(t)
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot.GetName()})).done(t)
		filled := of(d.decant(lot.GetName(), "2", "")).done(t)
		if got := d.scan(supplied, "").GetLot().GetName(); got != lot.GetName() {
			t.Errorf("the supplier's code is read as %s", got)
		}
		if got := d.scan(filled.GetShortCode(), "").GetLot().GetName(); got != filled.GetName() {
			t.Errorf("the container's code is read as %s", got)
		}
	})
}

func TestNothingIsGuessed(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		code := supplied
		if resp := d.scan(code, ""); resp.GetReason() != "ITEM_UNKNOWN" || resp.GetItem() != "" || resp.GetLot() != nil || action(resp, consumablesv1.ScanAction_RECEIVE) != "ITEM_UNKNOWN" {
			t.Errorf("no item has the number: %v", resp)
		}
		d.supplied("cleaner", gtin)
		d.supplied("keeping", gtin)
		if resp := d.scan(code, ""); resp.GetReason() != "ITEM_AMBIGUOUS" || resp.GetItem() != "" || resp.GetReceiveDraft() != nil {
			t.Errorf("two items have it: %v", resp)
		}
		d.supplied("keeping", "")
		if resp := d.scan(gtin, ""); resp.GetReason() != "LOT_UNKNOWN" || resp.GetItem() != "items/cleaner" || action(resp, consumablesv1.ScanAction_RECEIVE) != "LOT_MISSING" {
			t.Errorf("no lot: %v", resp)
		}
		both := of(d.ParseScan(d.clerk(), &consumablesv1.ParseScanRequest{Code: "]C11727013110LOT7A", AlsoScanned: []string{"]C101" + gtin}})).done(t)
		if both.GetElementText() != "(17)270131(10)LOT7A(01)"+gtin || both.GetReceiveDraft().GetLot().GetManufacturerLot() != "LOT7A" {
			t.Errorf("two codes: %v", both)
		}
		titles := []string{}
		for _, e := range both.GetElements() {
			titles = append(titles, e.GetKey()+" "+e.GetTitle())
		}
		if !slices.Equal(titles, []string{"17 USE BY or EXPIRY", "10 BATCH/LOT", "01 GTIN"}) {
			t.Errorf("titles %q", titles)
		}
	})
}

func TestBadScansOverTheWire(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(50)).GetShortCode()
		swapped := lot[:5] + lot[6:] + lot[5:6]
		for code, reason := range map[string]string{
			"":     "FIELD_INVALID",
			"what": "SCAN_NOT_UNDERSTOOD", "ABCDEFG": "CHECK_CHARACTER_WRONG", swapped: "CHECK_CHARACTER_WRONG", "lots/none": "NOT_FOUND",
			"222222" + "2": "LOT_UNKNOWN",                                                                    // the number before the first
			"]D2" + lot:    "SCAN_GARBLED", "]d2(": "GS1_IDENTIFIER_UNKNOWN", "]d210LOT7A": "GS1_INCOMPLETE", // case G15
			"(01)" + gtin + "(37)3":          "GS1_CONTRADICTORY", // case G22
			"(01)09521234543214":             "GS1_CHECK_DIGIT_WRONG",
			"(01)" + gtin + "(17)271301":     "GS1_DATE_INVALID",
			"https://id.example/nothing":     "GS1_LINK_INVALID",
			"(01)" + gtin + "(10)LOT\u00d67": "GS1_CHARACTER_WRONG",
		} {
			_, err := d.ParseScan(d.clerk(), &consumablesv1.ParseScanRequest{Code: code})
			refused(t, code, err, reason)
		}
	})
}
