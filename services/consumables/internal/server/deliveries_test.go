package server_test

import (
	"slices"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// delivered books a further part of the manufacturer's lot M-b in, with its own certificate.
func (d desk) delivered(item, certificate, amount string, useBy time.Time) (*consumablesv1.Lot, error) {
	lot := d.draftOf(item, "b", useBy)
	lot.Certificate = &consumablesv1.Certificate{Number: certificate}
	return d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres(amount), Lot: lot})
}

// certified makes the item "strict", whose lots come with a certificate and are asked a question.
func (d desk) certified() {
	d.t.Helper()
	of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "strict", Item: &consumablesv1.Item{
		DisplayName: "strict", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", CertificateRequired: true, ReceivingQuestions: []string{"Is it sealed?"},
	}})).done(d.t)
}

// answersSealed answers the question of the item "strict".
func answersSealed(answer consumablesv1.InspectionAnswer_Answer) []*consumablesv1.InspectionAnswer {
	return []*consumablesv1.InspectionAnswer{{Question: "Is it sealed?", Answer: answer}}
}

// A further delivery of a lot that is in use waits for its own inspection and its own certificate, and nothing of it can be issued before;
// what was cleared stays usable.
func TestAFurtherDeliveryIsInspected(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.certified()
		yes := answersSealed(consumablesv1.InspectionAnswer_YES)
		first := d.received("strict", "b", "2", days(200)).GetName()
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: first, Answers: yes})).done(t)

		lot := d.draftOf("strict", "b", days(200))
		lot.Certificate = nil
		more := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("3"), Lot: lot})).done(t)
		if more.GetState() != consumablesv1.Lot_HELD || more.GetName() == first || more.GetManufacturerLot() != "M-b" {
			t.Fatalf("the further delivery is %s, %s", more.GetState(), more.GetName())
		}
		if now := d.lot(first); now.GetState() != consumablesv1.Lot_USABLE || now.GetOnHand().GetValue() != "2" {
			t.Errorf("the first is %s with %v", now.GetState(), now.GetOnHand())
		}
		d.needs(order, "strict", "2")
		_, err := d.issue(more.GetName(), order, "1")
		refused(t, "issued before its inspection", err, "LOT_HELD")
		_, err = d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: more.GetName(), Answers: yes})
		refused(t, "cleared without its certificate", err, "CERTIFICATE_MISSING")

		third := of(d.delivered("strict", "C-third", "1", days(200))).done(t).GetName()
		_, err = d.clear(third)
		refused(t, "cleared on the first one's answers", err, "INSPECTION_INCOMPLETE")
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: third, Answers: yes})).done(t)
	})
}

// A delivery that joins one which waits still begins its inspection anew, keeps its certificate, and does not talk a No away.
func TestAJoinedDeliveryIsInspectedAnew(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.certified()
		take := func(certificate string, answers []*consumablesv1.InspectionAnswer) *consumablesv1.Lot {
			lot := d.draftOf("strict", "b", days(200))
			lot.Certificate = &consumablesv1.Certificate{Number: certificate}
			return of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("1"), Lot: lot, Answers: answers})).done(t)
		}
		first := take("C-1", answersSealed(consumablesv1.InspectionAnswer_YES))
		if second := take("C-2", nil); second.GetName() != first.GetName() || second.GetOnHand().GetValue() != "2" {
			t.Fatalf("the second is %s with %v", second.GetName(), second.GetOnHand())
		}
		_, err := d.clear(first.GetName())
		refused(t, "cleared on the answers of the first", err, "INSPECTION_INCOMPLETE")
		take("C-3", answersSealed(consumablesv1.InspectionAnswer_NO))
		take("C-4", answersSealed(consumablesv1.InspectionAnswer_YES))
		_, err = d.clear(first.GetName())
		refused(t, "cleared although the third was not sealed", err, "INSPECTION_INCOMPLETE")
		receipts := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: first.GetName()})).done(t).GetReceipts()
		var kept []string
		for _, r := range receipts {
			kept = append(kept, r.GetCertificate().GetNumber())
		}
		if slices.Sort(kept); !slices.Equal(kept, []string{"C-1", "C-2", "C-3", "C-4"}) {
			t.Errorf("certificates kept: %q", kept)
		}
	})
}

// Other dates of the same manufacturer's lot are a mistake on one of the labels: refused, whichever is earlier; a date that is left out is the one
// on record, so that no delivery lengthens the life.
func TestOtherDatesOfABatchAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		first := d.stocked("cleaner", "b", "2", days(100))
		for _, other := range []int{99, 101} {
			_, err := d.delivered("cleaner", "C-2", "1", days(other))
			refused(t, "another use-by date", err, "BATCH_DATES_DIFFER")
		}
		lot := of(d.delivered("cleaner", "C-2", "1", time.Time{})).done(t)
		if !lot.GetExpireTime().AsTime().Equal(first.GetExpireTime().AsTime()) || lot.GetState() != consumablesv1.Lot_HELD {
			t.Errorf("without a date: %s until %s, %s", lot.GetState(), lot.GetExpireTime().AsTime(), lot.GetLifeRule())
		}
		if got := d.lot(first.GetName()); got.GetOnHand().GetValue() != "2" {
			t.Errorf("the first has %v", got.GetOnHand())
		}
		// What is past its day is not received again, though its first delivery was.
		d.clock.Advance(101 * 24 * time.Hour)
		_, err := d.delivered("cleaner", "C-3", "1", days(100))
		refused(t, "an expired delivery", err, "LOT_EXPIRED")
	})
}

// A delivery that was undone because its date was mistyped does not stand against the right date.
func TestAnUndoneDeliveryBindsNoDate(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		wrong := d.received("cleaner", "b", "2", days(300)).GetName()
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{})).done(t).GetStockMovements()
		of(d.reverse(moves[0].GetName())).done(t)
		right := of(d.delivered("cleaner", "C-1", "2", days(100))).done(t)
		if right.GetName() == wrong || !right.GetExpireTime().AsTime().Before(days(102)) {
			t.Errorf("%s until %s", right.GetName(), right.GetExpireTime().AsTime())
		}
	})
}

// A recall of one delivery blocks the others of its manufacturer's lot with all that was made of them, and what comes in later; the trace names
// them.
func TestARecallReachesAllDeliveries(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		first := d.stocked("cleaner", "b", "5", days(200)).GetName()
		bottle := of(d.decant(first, "1", "")).done(t).GetName()
		second := of(d.delivered("cleaner", "C-2", "1", days(200))).done(t).GetName()
		of(d.clear(second)).done(t)
		if got := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: first})).done(t).GetBatchLots(); !slices.Equal(got, []string{second}) {
			t.Errorf("other deliveries: %q", got)
		}
		other := d.stocked("cleaner", "c", "5", days(200)).GetName()
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: second, Reason: "the maker says so"})).done(t)
		late := of(d.delivered("cleaner", "C-3", "1", days(200))).done(t)
		for _, name := range []string{first, bottle, second, late.GetName()} {
			if got := d.lot(name); got.GetState() != consumablesv1.Lot_RECALLED || got.GetHoldReason() == "" {
				t.Errorf("%s is %s", name, got.GetState())
			}
		}
		if got := d.lot(other).GetState(); got != consumablesv1.Lot_USABLE {
			t.Errorf("another batch is %s", got)
		}
	})
}

// A lot's number that is typed or scanned in other capitals is the same lot: a delivery under it is inspected with it and never makes a way around a
// recall, which reaches all of it and what comes after.
func TestALotsNumberIsTheSameInAnyCapitals(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		take := func(number, amount string) *consumablesv1.Lot {
			lot := d.draftOf("cleaner", "x", days(200))
			lot.ManufacturerLot = number
			return of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres(amount), Lot: lot})).done(t)
		}
		first := take("Lot8b", "5").GetName()
		if again := take("LOT8B", "2"); again.GetName() != first || again.GetManufacturerLot() != "Lot8b" || again.GetReceived().GetValue() != "7" {
			t.Errorf("while it is held: %v", again)
		}
		of(d.clear(first)).done(t)
		later := take("\u00a0lOT8b\u200b ", "1").GetName()
		if got := d.lot(later).GetManufacturerLot(); got != "lOT8b" {
			t.Errorf("kept as %q", got)
		}
		other := take("LOT8C", "1").GetName()
		d.supplied("cleaner", gtin)
		for _, code := range []string{"]d201" + gtin + "10LOT8B", "01" + gtin + "10lot8b"} {
			if got := d.scan(code, ""); got.GetLot().GetName() != later || got.GetReason() != "LOT_HELD" { // of two deliveries the one that may not be used
				t.Errorf("%s is %v (%s)", code, got.GetLot().GetName(), got.GetReason())
			}
		}
		wrong := d.draftOf("cleaner", "x", days(300))
		wrong.ManufacturerLot = "LOT8B"
		_, err := d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("1"), Lot: wrong})
		refused(t, "other dates under other capitals", err, "BATCH_DATES_DIFFER")
		d.recall(first)
		if d.lot(later).GetState() != consumablesv1.Lot_RECALLED || d.lot(other).GetState() != consumablesv1.Lot_HELD {
			t.Errorf("after the recall %s and %s", d.lot(later).GetState(), d.lot(other).GetState())
		}
		if got := take("lot8b", "1"); got.GetState() != consumablesv1.Lot_RECALLED {
			t.Errorf("what comes after the recall is %s", got.GetState())
		}
		if got := d.scan("01"+gtin+"10lot8b", ""); got.GetReason() != "LOT_RECALLED" || action(got, consumablesv1.ScanAction_RECEIVE) != "LOT_RECALLED" || got.GetReceiveDraft() != nil {
			t.Errorf("scanned after the recall: %v", got)
		}
		if batch := d.trace(first, consumablesv1.TraceLotRequest_FORWARD, time.Time{}).GetBatchLots(); len(batch) != 2 {
			t.Errorf("the batch is %v", batch)
		}
	})
}
