package server_test

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// Check STO-03: of lots that end in 5, 20 and 40 days, what is needed in 10 days comes out of the second; the first is skipped because
// it ends before, the third because another comes first. An opened lot counts by its life once open.
func TestTheLotThatEndsFirstAfterTheNeedIsTaken(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		for id, n := range map[string]int{"five": 5, "twenty": 20, "forty": 40} {
			d.stocked("cleaner", id, "5", days(n))
		}
		need := timestamppb.New(days(10))
		advice := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "1", QuantityUnitCode: "L", NeedTime: need})).done(t)
		if s := advice.GetSuggestions(); len(s) != 1 || s[0].GetLot() != "lots/twenty" || !strings.Contains(s[0].GetExplanation(), "the earliest that is still good at 2026-12-05") {
			t.Errorf("advised %v", s)
		}
		if s := advice.GetSkipped(); len(s) != 2 || s[0].GetLot() != "lots/five" || s[0].GetReason() != "LOT_EXPIRED" || !strings.Contains(s[0].GetExplanation(), "2026-11-30") ||
			s[1].GetLot() != "lots/forty" || s[1].GetReason() != "LOT_NOT_FIRST_TO_EXPIRE" || !strings.Contains(s[1].GetExplanation(), "lots/twenty") {
			t.Errorf("skipped %v", s)
		}
		item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(t)
		item.OpenedLifeDays = 12
		of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(t)
		of(d.decant("lots/forty", "1", "")).done(t) // which opens it: 12 days are fewer than 20
		advice = of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "1", QuantityUnitCode: "L", NeedTime: need})).done(t)
		if s := advice.GetSuggestions(); len(s) != 1 || s[0].GetLot() == "lots/twenty" || s[0].GetExpireTime().AsTime().Format("2006-01-02") != "2026-12-07" {
			t.Errorf("with an opened one: %v", s)
		}
	})
}

// Check STO-06: a thousand random issues and returns, a millilitre at the least, add up exactly, and what would return too much is
// refused.
func TestAThousandIssuesAndReturnsAddUp(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("keeping", "l1", "100", days(200)).GetName()
		d.needs(order, "keeping", "50")
		rng := rand.New(rand.NewPCG(7, 11))
		shelved := stock.Micro(100 * stock.Scale)
		type out struct {
			name string
			left stock.Micro
		}
		var outs []out
		for range 1000 {
			amount := stock.Micro(1+rng.IntN(40)) * stock.Scale / 1000
			if len(outs) == 0 || rng.IntN(2) == 0 {
				m := of(d.issue(lot, order, amount.Text())).done(t)
				outs, shelved = append(outs, out{m.GetName(), amount}), shelved-amount
				continue
			}
			from := &outs[rng.IntN(len(outs))]
			if _, err := d.back(from.name, amount.Text(), ""); amount > from.left {
				refused(t, "more than is left of "+from.name, err, "RETURN_EXCEEDS_ISSUE")
			} else if err != nil {
				t.Fatal(err)
			} else {
				from.left, shelved = from.left-amount, shelved+amount
			}
		}
		if got := d.at(lot, shelf); got != shelved.Text() || d.at(lot, order) != (100*stock.Scale-shelved).Text() {
			t.Errorf("%s on the shelf and %s with the job; the steps leave %s", got, d.at(lot, order), shelved.Text())
		}
	})
}

// Check STO-08: a recall reaches, through a mix and a container, the three jobs and the two engines that were seeded and no other,
// and the trace back from an engine's mix finds the recalled lot.
func TestARecallFindsEveryJobAndEngine(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		bottle := of(d.decant("lots/cln", "1", "")).done(t).GetName()
		d.stocked("keeping", "other", "5", days(200))
		engine := map[string]string{"workOrders/j1": "engines/e1", "workOrders/j2": "engines/e2", "workOrders/j3": "engines/e1"}
		for job, on := range engine {
			d.knownOn(job, on)
		}
		var mix string
		for _, job := range []string{"workOrders/j1", "workOrders/j2"} {
			d.kitted(job)
			mix = of(d.blend(batch(job))).done(t).GetName()
			of(d.use(mix, job, engine[job], "1.893")).done(t)
		}
		d.issued("cleaner", bottle, "workOrders/j3", "0.5")
		of(d.use(bottle, "workOrders/j3", engine["workOrders/j3"], "0.5")).done(t)
		d.issued("keeping", "lots/other", "workOrders/j4", "1")
		of(d.use("lots/other", "workOrders/j4", "engines/e4", "1")).done(t)
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: "lots/cln", Reason: "maker's letter"})).done(t)
		fact := d.recallFact("lots/cln")
		if !slices.Equal(fact.GetReachedWorkOrders(), []string{"workOrders/j1", "workOrders/j2", "workOrders/j3"}) ||
			!slices.Equal(fact.GetReachedEngines(), []string{"engines/e1", "engines/e2"}) {
			t.Errorf("reached %v and %v", fact.GetReachedWorkOrders(), fact.GetReachedEngines())
		}
		back := d.trace(mix, consumablesv1.TraceLotRequest_BACKWARD, d.clock.Now())
		if !slices.ContainsFunc(back.GetNodes(), func(n *consumablesv1.TraceNode) bool {
			return n.GetLot() == "lots/cln" && n.GetState() == consumablesv1.Lot_RECALLED
		}) {
			t.Errorf("back from %s: %v", mix, back.GetNodes())
		}
		if d.lot(bottle).GetState() != consumablesv1.Lot_RECALLED || d.lot(mix).GetState() != consumablesv1.Lot_RECALLED || d.lot("lots/other").GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("states %s, %s, %s", d.lot(bottle).GetState(), d.lot(mix).GetState(), d.lot("lots/other").GetState())
		}
	})
}

// Check STO-09: a reading on the limit passes (ISO 3696:1987 grade 3, 5.0 µS/cm at 25 °C) and one above it fails; without a meter, or with
// one whose calibration lapsed, no test is taken; mS/m and µS/cm are the same reading.
func TestAReadingIsJudgedByItsLimitAndItsMeter(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("water", "w1", "20", days(60)).GetName()
		take := func(text, unit, meter string) (*consumablesv1.WaterTest, error) {
			test := reading(text, "25")
			test.Conductivity.UnitCode, test.Meter = unit, meter
			return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})
		}
		for _, c := range []struct {
			text, unit string
			want       consumablesv1.WaterTest_Verdict
		}{
			{"5.0", "uS/cm", consumablesv1.WaterTest_PASSED}, {"5.01", "uS/cm", consumablesv1.WaterTest_FAILED},
			{"0.5", "mS/m", consumablesv1.WaterTest_PASSED}, {"0.501", "mS/m", consumablesv1.WaterTest_FAILED},
		} {
			if got := of(take(c.text, c.unit, "tools/meter")).done(t); got.GetVerdict() != c.want {
				t.Errorf("%s %s: %s (%v µS/cm)", c.text, c.unit, got.GetVerdict(), got.GetConductivityUsCm())
			}
		}
		_, err := take("4", "uS/cm", "")
		refused(t, "without a meter", err, "FIELD_INVALID")
		_, err = take("4", "uS/cm", "tools/lapsed")
		refused(t, "with a lapsed meter", err, "INSTRUMENT_LAPSED")
		_, err = take("4", "uS/cm", "tools/strange")
		refused(t, "with a meter that nobody knows", err, "INSTRUMENT_UNKNOWN")
		if n := len(of(d.ListWaterTests(d.clerk(), &consumablesv1.ListWaterTestsRequest{Parent: lot})).done(t).GetWaterTests()); n != 4 {
			t.Errorf("%d tests are on record", n)
		}
	})
}

// Check STO-05: what is held, expired, recalled or untested is refused, each for a reason of its own.
func TestWhatMayNotGoOutSaysWhy(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "good", "5", days(200))
		d.stocked("water", "tested", "5", days(60))
		d.needs(order, "cleaner", "1")
		d.needs(order, "water", "1")
		held, untested := d.received("cleaner", "held", "5", days(100)).GetName(), d.received("water", "untested", "5", days(30)).GetName()
		expired, recalled := d.stocked("cleaner", "brief", "5", days(1)).GetName(), d.stocked("cleaner", "bad", "5", days(100)).GetName()
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: recalled, Reason: "maker's letter"})).done(t)
		d.clock.Advance(3 * 24 * time.Hour)
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { // as from before lots waited for their test
			lot, err := store.Lots.Lock(ctx, tx, untested)
			if err != nil {
				return err
			}
			lot.State = consumablesv1.Lot_USABLE
			return store.Lots.Save(ctx, tx, lot, d.clock.Now())
		})).done(t)
		for lot, reason := range map[string]string{held: "LOT_HELD", expired: "LOT_EXPIRED", recalled: "LOT_RECALLED", untested: "WATER_NOT_TESTED"} {
			_, err := d.issue(lot, order, "1")
			refused(t, lot, err, reason)
		}
	})
}
