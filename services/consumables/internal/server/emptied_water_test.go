package server_test

import (
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// A drum of water that is empty when its test fails, or when the meter of its test is found out of tolerance, can't be held any more; what was mixed and
// filled from it is, with what was made of that, and is cleared by itself.
func TestWhatWasMadeOfWaterThatFailsOnceItIsEmptyIsHeld(t *testing.T) {
	for doubt, happens := range map[string]func(*testing.T, desk){
		"its newest water test failed": func(t *testing.T, d desk) {
			if test := of(d.tested("lots/wtr", "900")).done(t); test.GetVerdict() != consumablesv1.WaterTest_FAILED {
				t.Fatalf("the test is %s", test.GetVerdict())
			}
		},
		"its newest water test counts no longer": func(_ *testing.T, d desk) {
			d.calibrated(&compliancev1.ToolChanged{Tool: "tools/meter", FoundOutOfTolerance: true})
		},
	} {
		t.Run(doubt, func(t *testing.T) {
			desks(t, func(t *testing.T, d desk) {
				d.ingredients()
				bottle := of(d.decant("lots/wtr", "2", "")).done(t).GetName()
				d.kitted(order)
				mix := of(d.blend(batch(order))).done(t).GetName()
				d.clock.Advance(time.Hour)
				of(d.approve("dora", of(d.count("lots/wtr", "0", d.clock.Now())).done(t).GetName())).done(t)
				for name, want := range map[string]consumablesv1.Lot_State{"lots/wtr": consumablesv1.Lot_EMPTIED, mix: consumablesv1.Lot_USABLE, bottle: consumablesv1.Lot_USABLE} {
					if got := d.lot(name).GetState(); got != want {
						t.Fatalf("%s is %s", name, got)
					}
				}
				held := d.facts("coldsection.stock.lot.held.v1")
				happens(t, d)
				if got := d.lot("lots/wtr").GetState(); got != consumablesv1.Lot_EMPTIED {
					t.Errorf("the empty drum is %s", got)
				}
				if got := d.lot(mix); got.GetState() != consumablesv1.Lot_HELD || got.GetHoldReason() != "It came from lots/wtr: "+doubt {
					t.Errorf("the mix is %s (%s)", got.GetState(), got.GetHoldReason())
				}
				if got := d.lot(bottle); got.GetState() != consumablesv1.Lot_HELD || !strings.Contains(got.GetHoldReason(), "ewest water test") {
					t.Errorf("the bottle is %s (%s)", got.GetState(), got.GetHoldReason())
				}
				if n := d.facts("coldsection.stock.lot.held.v1"); n != held+2 {
					t.Errorf("%d facts of holds after %d", n, held)
				}
				_, err := d.use(mix, order, "engines/e1", "1")
				refused(t, "used", err, "LOT_HELD")
				of(d.clear(mix)).done(t)
				of(d.use(mix, order, "engines/e1", "1")).done(t)
				d.balanced()
			})
		})
	}
}
