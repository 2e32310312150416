package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// decantedAt fills over as of a time of before.
func (d desk) decantedAt(lot, amount, location string, at time.Time) (*consumablesv1.Lot, error) {
	return d.DecantStock(d.clerk(), &consumablesv1.DecantStockRequest{Name: lot, Quantity: litres(amount), Location: location, EffectiveTime: timestamppb.New(at)})
}

// What was filled over at nine is booked at noon although its lot was recalled at ten: the bottle is recalled from the beginning and since then,
// the lot was opened at nine, the recall tells of the bottle, and then of the engine that it was used on before ten.
func TestADecantingOfBeforeTheRecallIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", june).GetName()
		d.needs(order, "cleaner", "0.5")
		d.needs("workOrders/w2", "cleaner", "19.5") // all of it is claimed, and an order doesn't get what is recalled
		d.clock.Advance(2 * time.Hour)
		d.recall(lot)
		d.clock.Advance(2 * time.Hour)
		for what, at := range map[string]time.Time{"as it was recalled": hours(2), "after it": hours(3), "now": hours(4)} {
			_, err := d.decantedAt(lot, "2", "", at)
			refused(t, what, err, "LOT_RECALLED")
		}
		_, err := d.decant(lot, "2", "")
		refused(t, "without a time", err, "LOT_RECALLED")
		if said := status.Convert(err).Message(); !strings.Contains(said, "since 2026-11-25T10:00:00Z (maker's letter)") || !strings.Contains(said, "give the time at which it did") {
			t.Errorf("said %q", said)
		}
		_, err = d.decantedAt(lot, "2", "", hours(-1))
		refused(t, "before it came in", err, "TIME_BEFORE_LOT")
		_, err = d.decantedAt(lot, "2", "", hours(5))
		refused(t, "in the future", err, "TIME_IN_FUTURE")
		_, err = d.decantedAt(lot, "20.1", "", hours(1))
		refused(t, "more than there is", err, "INSUFFICIENT_STOCK")
		if got := d.lot(lot); got.GetOpenTime() != nil || d.at(lot, shelf) != "20" {
			t.Errorf("refusals left %v", got)
		}
		bottle := of(d.decantedAt(lot, "2", "locations/back", hours(1))).done(t)
		if bottle.GetState() != consumablesv1.Lot_RECALLED || bottle.GetHoldReason() != "maker's letter" || !bottle.GetBlockTime().AsTime().Equal(hours(2)) {
			t.Errorf("the bottle is %s (%s) since %v", bottle.GetState(), bottle.GetHoldReason(), bottle.GetBlockTime().AsTime())
		}
		d.opened(lot, hours(1), "2027-02-23") // L03 (rule of the stores handbook): 90 days once open
		d.opened(bottle.GetName(), hours(1), "2027-02-23")
		facts := d.recallFacts(bottle.GetName())
		if len(facts) != 1 || facts[0].GetState() != "RECALLED" || len(facts[0].GetReachedWorkOrders())+len(facts[0].GetReachedEngines()) != 0 || facts[0].GetQuantity().GetValue() != "2" {
			t.Errorf("told %v", facts)
		}
		if lines := d.label(bottle.GetName()).GetLines(); lines[0] != "RECALLED – DO NOT USE" || !slices.Contains(lines, "Filled 2026-11-25 09:00 UTC") {
			t.Errorf("its label says %q", lines)
		}
		_, err = d.issuedAt(bottle.GetName(), hours(0.5), "booked late")
		refused(t, "handed out before it was filled", err, "TIME_BEFORE_LOT")
		of(d.issuedAt(bottle.GetName(), hours(1.25), "booked late")).done(t)
		of(d.usedAt(bottle.GetName(), hours(1.5))).done(t)
		for _, c := range []struct {
			hour    float64
			lots    int
			engines []string
		}{{0.5, 1, nil}, {1, 2, nil}, {1.5, 2, []string{"engines/e1"}}, {4, 2, []string{"engines/e1"}}} {
			got := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, hours(c.hour))
			if len(got.GetNodes()) != c.lots || !slices.Equal(got.GetEngines(), c.engines) {
				t.Errorf("after %v hours: %d lots on %v", c.hour, len(got.GetNodes()), got.GetEngines())
			}
			addsUp(t, got.GetTotal())
		}
		d.balanced()
	})
}

// A bottle that is booked late is on hold for the sake of its lot, and is cleared with it; of one that is usable by now nothing is blocked, and what
// orders claim of it stays theirs.
func TestALateBottleIsBlockedAsItsLotIs(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", june).GetName()
		d.clock.Advance(2 * time.Hour)
		d.hold(lot)
		d.clock.Advance(time.Hour)
		before := d.facts("coldsection.stock.lot.held.v1")
		bottle := of(d.decantedAt(lot, "2", "", hours(1))).done(t)
		if bottle.GetState() != consumablesv1.Lot_HELD || bottle.GetHeldOrigin() != lot || bottle.GetHoldReason() != "It came from lots/l1, which is held: looks cloudy" ||
			!bottle.GetBlockTime().AsTime().Equal(hours(2)) {
			t.Errorf("the bottle of what is held: %v", bottle)
		}
		if n := d.facts("coldsection.stock.lot.held.v1"); n != before+1 {
			t.Errorf("%d facts of holds after %d", n, before)
		}
		_, err := d.clear(bottle.GetName())
		refused(t, "cleared before its lot", err, "ORIGIN_HELD")
		of(d.clear(lot)).done(t)
		if got := d.lot(bottle.GetName()); got.GetState() != consumablesv1.Lot_USABLE || got.GetBlockTime() != nil {
			t.Errorf("cleared with its lot: %v", got)
		}
		d.needs(order, "cleaner", "19") // the bottle, and all but a litre of the lot
		_, err = d.decantedAt(lot, "2", "", hours(2.5))
		refused(t, "of what an order claims", err, "INSUFFICIENT_STOCK")
		if again := of(d.decantedAt(lot, "1", "", hours(2.5))).done(t); again.GetState() != consumablesv1.Lot_USABLE || again.GetBlockTime() != nil {
			t.Errorf("of what may be used it is %v", again)
		}
		d.balanced()
	})
}

// The can that was opened to fill over from is opened as of then and blocked as its lot is, and the others stay sealed.
func TestACanThatWasOpenedBeforeTheRecallIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		cans := d.canned("cans", "20", "5", june)
		d.clock.Advance(48 * time.Hour)
		d.recall(cans)
		d.clock.Advance(time.Hour)
		bottle := of(d.decantedAt(cans, "2", "", hours(24))).done(t)
		can := bottle.GetParents()[0].GetLot()
		if d.at(cans, shelf) != "15" || d.at(can, shelf) != "3" || d.at(bottle.GetName(), shelf) != "2" || d.lot(cans).GetOpenTime() != nil {
			t.Errorf("cans %s, opened %s, filled %s", d.at(cans, shelf), d.at(can, shelf), d.at(bottle.GetName(), shelf))
		}
		for _, name := range []string{can, bottle.GetName()} {
			d.opened(name, hours(24), "2027-02-24")
			if got := d.lot(name); got.GetState() != consumablesv1.Lot_RECALLED || !got.GetBlockTime().AsTime().Equal(hours(48)) {
				t.Errorf("%s is %s since %v", name, got.GetState(), got.GetBlockTime().AsTime())
			}
		}
		d.balanced()
	})
}

// Nothing is filled over out of a place before it was there, nor after other entries took it away: the books of then would have less than nothing.
// Where another place had it all the time it comes from there, and once what was booked since is undone it is booked.
func TestADecantingIsNotDatedBeforeItsStock(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.cage()
		lot := d.stocked("cleaner", "l1", "20", june).GetName()
		d.clock.Advance(2 * time.Hour)
		of(d.move(lot, "15", shelf, "locations/back")).done(t)
		d.clock.Advance(time.Hour)
		d.recall(lot)
		_, err := d.decantedAt(lot, "6", "", hours(1))
		refused(t, "more than stood anywhere all the time", err, "TIME_BEFORE_STOCK")
		want := "locations/back had 0 L of lot lots/l1 at 2026-11-25T09:00:00Z, and 6 was filled over"
		if said := status.Convert(err).Message(); !strings.Contains(said, want) {
			t.Errorf("%q doesn't say %q", said, want)
		}
		of(d.decantedAt(lot, "2", shelf, hours(1))).done(t)
		if d.at(lot, shelf) != "3" || d.at(lot, "locations/back") != "15" {
			t.Errorf("left on the shelf %s, at the back %s", d.at(lot, shelf), d.at(lot, "locations/back"))
		}
		of(d.move(lot, "15", "locations/back", "locations/cage")).done(t)
		aside := of(d.move(lot, "3", shelf, "locations/cage")).done(t)
		_, err = d.decantedAt(lot, "2", shelf, hours(1))
		refused(t, "of what was set aside", err, "TIME_BEFORE_STOCK")
		d.clock.Advance(time.Hour)
		of(d.reverse(aside.GetName())).done(t)
		of(d.decantedAt(lot, "2", shelf, hours(1))).done(t)
		of(d.move(lot, "1", shelf, "locations/cage")).done(t)
		d.balanced()
	})
}

// A lot that was filled over before it was opened by the books was open by then: its days and those of what was made of it count from there.
func TestALateDecantingOpensItsLotSooner(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", june).GetName()
		d.clock.Advance(10 * 24 * time.Hour)
		later := of(d.decant(lot, "2", "")).done(t).GetName()
		d.opened(lot, days(10), "2027-03-05")
		sooner := of(d.decantedAt(lot, "2", "", days(4))).done(t).GetName()
		d.opened(lot, days(4), "2027-02-27")
		d.opened(sooner, days(4), "2027-02-27")
		d.opened(later, days(10), "2027-02-27")
		of(d.decantedAt(lot, "1", "", days(7))).done(t)
		d.opened(lot, days(4), "2027-02-27")
		d.balanced()
	})
}
