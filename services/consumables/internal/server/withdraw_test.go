package server_test

import (
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

func (d desk) withdraw(lot string) (*consumablesv1.Lot, error) {
	return d.WithdrawRecall(d.as("quinn", "quality"), &consumablesv1.WithdrawRecallRequest{Name: lot, Reason: "the letter meant another lot"})
}

// A recall that named the wrong lot is taken back: what it blocked is on hold and is cleared lot by lot, and what another recalled lot is in as
// well stays recalled. What was used up meanwhile is empty and nothing else.
func TestARecallIsTakenBack(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		states := func(when string, want map[string]consumablesv1.Lot_State) {
			t.Helper()
			for lot, state := range want {
				if got := d.lot(lot); got.GetState() != state || (state == consumablesv1.Lot_HELD) != (got.GetHoldReason() == "Its recall was taken back: the letter meant another lot") {
					t.Errorf("%s: %s is %s (%s), want %s", when, lot, got.GetState(), got.GetHoldReason(), state)
				}
			}
		}
		const recalled, held, usable = consumablesv1.Lot_RECALLED, consumablesv1.Lot_HELD, consumablesv1.Lot_USABLE
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		again := d.stocked("cleaner", "again", "5", days(200)).GetName() // of another manufacturer's lot
		used := of(d.decant("lots/cln", "0.1", "")).done(t).GetName()
		d.issued("cleaner", used, "workOrders/w2", "0.1")
		of(d.use(used, "workOrders/w2", "engines/e2", "0.1")).done(t)
		_, err := d.withdraw(mix)
		refused(t, "not recalled", err, "LOT_NOT_RECALLED")
		for _, lot := range []string{"lots/cln", "lots/wtr"} {
			of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(t)
		}
		states("recalled", map[string]consumablesv1.Lot_State{"lots/cln": recalled, "lots/wtr": recalled, mix: recalled, used: recalled, again: usable})
		_, err = d.WithdrawRecall(d.clerk(), &consumablesv1.WithdrawRecallRequest{Name: "lots/cln", Reason: "a clerk's wish"})
		refused(t, "by a clerk", err, "ROLE_MISSING")
		_, err = d.withdraw(mix)
		refused(t, "of what came from a recalled lot", err, "ORIGIN_RECALLED")
		of(d.withdraw("lots/cln")).done(t)
		states("the cleaner's", map[string]consumablesv1.Lot_State{"lots/cln": held, "lots/wtr": recalled, mix: recalled, used: consumablesv1.Lot_EMPTIED})
		of(d.withdraw("lots/wtr")).done(t)
		states("the water's too", map[string]consumablesv1.Lot_State{"lots/wtr": held, mix: held})
		_, err = d.use(mix, order, "engines/e1", "1")
		refused(t, "before it is cleared", err, "LOT_HELD")
		_, err = d.clear(mix)
		refused(t, "before what it came from", err, "ORIGIN_HELD")
		for _, lot := range []string{"lots/cln", "lots/wtr", mix} {
			of(d.clear(lot)).done(t)
		}
		of(d.use(mix, order, "engines/e1", "1")).done(t)
		d.balanced()
	})
}

// What was empty when its recall was taken back, and of which something is found again or an entry is undone, is on hold until somebody looks at it:
// of what was known of it before the recall nothing is left. Of a mix the same holds.
func TestWhatIsFoundOfAWithdrawnRecallIsLookedAt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		of(d.use(mix, order, "engines/e1", "1.893")).done(t)
		drum, can := d.stocked("cleaner", "drum", "2", days(60)).GetName(), d.stocked("cleaner", "can", "1", days(50)).GetName()
		d.issued("cleaner", can, order, "1")
		used := of(d.use(can, order, "engines/e1", "1")).done(t)
		d.clock.Advance(time.Hour)
		of(d.approve("dora", of(d.count(drum, "0", d.clock.Now())).done(t).GetName())).done(t)
		for _, lot := range []string{drum, can, mix} {
			d.recall(lot)
			of(d.withdraw(lot)).done(t)
			if got := d.lot(lot); got.GetState() != consumablesv1.Lot_EMPTIED || got.GetHoldReason() != "" {
				t.Errorf("%s, of which nothing is left, is %s (%s)", lot, got.GetState(), got.GetHoldReason())
			}
		}
		d.clock.Advance(time.Hour)
		of(d.approve("dora", of(d.count(drum, "0.5", d.clock.Now())).done(t).GetName())).done(t)
		of(d.approve("dora", of(d.count(mix, "0.1", d.clock.Now())).done(t).GetName())).done(t)
		of(d.reverse(used.GetName())).done(t)
		for _, lot := range []string{drum, can, mix} {
			if got := d.lot(lot); got.GetState() != consumablesv1.Lot_HELD || got.GetHoldReason() != "It was empty when its recall was taken back, and nobody has looked at it since" {
				t.Errorf("%s, found again, is %s (%s)", lot, got.GetState(), got.GetHoldReason())
			}
		}
		_, err := d.use(can, order, "engines/e1", "1")
		refused(t, "before it is cleared", err, "LOT_HELD")
		of(d.clear(can)).done(t)
		if got := d.lot(can); got.GetState() != consumablesv1.Lot_USABLE || got.GetBlockTime() != nil {
			t.Errorf("once cleared it is %s since %v", got.GetState(), got.GetBlockTime())
		}
		of(d.use(can, order, "engines/e1", "1")).done(t)
		if got := d.lot(can).GetState(); got != consumablesv1.Lot_EMPTIED {
			t.Errorf("used up it is %s", got)
		}
		d.balanced()
	})
}
