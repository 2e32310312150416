package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

func (d desk) decant(lot, amount, location string) (*consumablesv1.Lot, error) {
	return d.DecantStock(d.clerk(), &consumablesv1.DecantStockRequest{Name: lot, Quantity: litres(amount), Location: location})
}

// L03 (rule of the stores handbook): opened on 2026-11-25 with 90 days of life once open, usable until 2027-02-23.
func TestAContainerHasTheDocumentsOfItsLot(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC))
		filled := of(d.decant(lot.GetName(), "0.5", "locations/back")).done(t)
		if filled.GetManufacturerLot() != "M-l1" || !proto.Equal(filled.GetCertificate(), lot.GetCertificate()) || filled.GetShortCode() == lot.GetShortCode() ||
			len(filled.GetHazards()) != 1 || filled.GetState() != consumablesv1.Lot_USABLE || filled.GetReceived().GetValue() != "0.5" {
			t.Errorf("filled %v", filled)
		}
		source := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot.GetName()})).done(t)
		for _, l := range []*consumablesv1.Lot{source, filled} {
			if got := l.GetExpireTime().AsTime().Format(time.DateOnly); got != "2027-02-23" || !l.GetOpenTime().AsTime().Equal(morning) {
				t.Errorf("%s: usable until %s (%s), opened %v", l.GetName(), got, l.GetLifeRule(), l.GetOpenTime().AsTime())
			}
		}
		if d.at(lot.GetName(), shelf) != "19.5" || d.at(filled.GetName(), "locations/back") != "0.5" {
			t.Errorf("%v %v", source.GetBalances(), filled.GetBalances())
		}
		d.clock.Advance(24 * time.Hour)
		again := of(d.decant(lot.GetName(), "1", "")).done(t)
		if !again.GetOpenTime().AsTime().Equal(morning) || d.at(again.GetName(), shelf) != "1" {
			t.Errorf("filled again: %v", again)
		}
		// A second delivery of the manufacturer's lot is booked neither to the lot, which is in use, nor to a container that was filled from it.
		more := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{
			Location: shelf, Quantity: litres("5"), Lot: d.draftOf("cleaner", "l1", time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC)),
		})).done(t)
		if slices.Contains([]string{lot.GetName(), filled.GetName(), again.GetName()}, more.GetName()) || more.GetState() != consumablesv1.Lot_HELD {
			t.Errorf("booked to %s, %s", more.GetName(), more.GetState())
		}
	})
}

// A recall of the first lot reaches the container, and the trace goes both ways.
func TestARecallReachesContainers(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", days(200)).GetName()
		filled := of(d.decant(lot, "2", "")).done(t).GetName()
		back := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: filled, Direction: consumablesv1.TraceLotRequest_BACKWARD})).done(t)
		if len(back.GetNodes()) != 2 || back.GetNodes()[1].GetLot() != lot || len(back.GetReceipts()) != 1 {
			t.Errorf("backwards: %v", back)
		}
		if line := back.GetBalanceLines()[1]; line.GetMixed().GetValue() != "2" || line.GetOnHand().GetValue() != "18" {
			t.Errorf("balance of the first lot: %v", line)
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(t)
		if got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: filled})).done(t).GetState(); got != consumablesv1.Lot_RECALLED {
			t.Errorf("the container is %s", got)
		}
		_, err := d.decant(filled, "1", "")
		refused(t, "out of a recalled lot", err, "LOT_RECALLED")
	})
}

// Water in a new container is as well tested as where it came from.
func TestAContainerOfTestedWaterIsTested(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(30)).GetName()
		filled := of(d.decant(lot, "2", "")).done(t)
		found := of(d.LookUpLot(d.clerk(), &consumablesv1.LookUpLotRequest{Code: filled.GetShortCode()})).done(t)
		if !found.GetUsable() || found.GetLot().GetName() != filled.GetName() {
			t.Errorf("found %v", found)
		}
		of(d.tested(filled.GetName(), "5.1")).done(t) // W02: above 5.0, ISO 3696:1987 grade 3
		_, err := d.decant(filled.GetName(), "1", "")
		refused(t, "failed its own test", err, "LOT_HELD")
		of(d.decant(lot, "1", "")).done(t)
	})
}

func TestBadDecantsLeaveNothing(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		held := d.received("cleaner", "held", "20", days(200)).GetName()
		lot := d.stocked("cleaner", "l1", "20", days(100)).GetName()
		d.needs(order, "cleaner", "15")
		for _, c := range []struct{ lot, amount, place, reason string }{
			{held, "1", "", "LOT_HELD"}, {lot, "6", "", "INSUFFICIENT_STOCK"}, {lot, "0", "", "QUANTITY_NOT_POSITIVE"},
			{lot, "1", "locations/waste", "NOT_FOUND"}, {"lots/none", "1", "", "NOT_FOUND"},
		} {
			_, err := d.decant(c.lot, c.amount, c.place)
			refused(t, c.lot+" "+c.amount, err, c.reason)
		}
		d.clock.Advance(101 * 24 * time.Hour)
		_, err := d.decant(lot, "1", "")
		refused(t, "past its day", err, "LOT_EXPIRED")
		lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots()
		if len(lots) != 2 || d.at(lot, shelf) != "20" || lots[0].GetOpenTime() != nil || lots[1].GetOpenTime() != nil {
			t.Errorf("left behind: %v", lots)
		}
	})
}
