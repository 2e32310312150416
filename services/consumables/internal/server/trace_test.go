package server_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
)

func (d desk) trace(lot string, way consumablesv1.TraceLotRequest_Direction, asOf time.Time) *consumablesv1.TraceLotResponse {
	d.t.Helper()
	req := &consumablesv1.TraceLotRequest{Name: lot, Direction: way}
	if !asOf.IsZero() {
		req.AsOfTime = timestamppb.New(asOf)
	}
	return of(d.TraceLot(d.clerk(), req)).done(d.t)
}

// addsUp checks received = used + disposed + on hand + with jobs + mixed + difference.
func addsUp(t testing.TB, line *consumablesv1.LotBalanceLine) {
	t.Helper()
	var sum stock.Micro
	for _, part := range []*commonv1.Quantity{line.GetUsed(), line.GetDisposed(), line.GetMixed(), line.GetIssuedUnused(), line.GetOnHand(), line.GetDifference()} {
		sum += micro(t, part)
	}
	if sum != micro(t, line.GetReceived()) {
		t.Errorf("%s is out: %v", line.GetLot(), line)
	}
}

// thinned mixes 0.1 L of cleaner with water, and that mix with as much water again, five deep; 0.05 L of each mix goes on an
// engine of its own, an hour apart. It returns the mixes.
func (d desk) thinned() (mixes []string) {
	d.t.Helper()
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)
	for _, parts := range []int32{1, 3, 7, 15, 31} {
		item.ApprovedMixRatios = append(item.ApprovedMixRatios, &consumablesv1.MixRatio{WaterParts: parts, CleanerParts: 1})
	}
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(d.t)
	d.ingredients()
	d.knownOn(order, "") // an order of before stores kept the engine is used on five of them
	d.issued("cleaner", "lots/cln", order, "0.2")
	d.issued("water", "lots/wtr", order, "5")
	lot, amount := "lots/cln", stock.Micro(100_000)
	for i, parts := range []int32{1, 3, 7, 15, 31} {
		d.clock.Advance(time.Hour)
		lot = of(d.blend(&consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Ratio: &consumablesv1.MixRatio{WaterParts: parts, CleanerParts: 1}, Output: litres((2 * amount).Text()),
			Parts: []*consumablesv1.BlendPart{{Lot: lot, Quantity: litres(amount.Text())}, {Lot: "lots/wtr", Quantity: litres(amount.Text())}},
		})).done(d.t).GetName()
		mixes = append(mixes, lot)
		of(d.use(lot, order, fmt.Sprintf("engines/e%d", i+1), "0.05")).done(d.t)
		amount = 2*amount - 50_000
	}
	return mixes
}

// T13 (rule of the stores handbook) through mixes of mixes: the recall of the cleaner reaches five engines, and its balance
// follows it there. Of 0.05 L of each mix 1/2, 1/4, 1/8, 1/16 and 1/32 is cleaner: 0.0484375 L.
func TestTheBalanceFollowsALotThroughMixesOfMixes(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		mixes := d.thinned()
		of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: mixes[4], Location: order, Quantity: litres("0.5"), Reason: "left over"})).done(t)
		of(d.approve("dora", of(d.count("lots/cln", "3.5", d.clock.Now())).done(t).GetName())).done(t)
		trace := d.trace("lots/cln", consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		total := trace.GetTotal()
		if total.GetUsed().GetValue() != "0.048438" || total.GetReceived().GetValue() != "3.785" || total.GetOnHand().GetValue() != "3.5" ||
			total.GetDisposed().GetValue() != "0.015625" || total.GetDifference().GetValue() != "0.085" {
			t.Errorf("total %v", total)
		}
		for _, line := range append(trace.GetBalanceLines(), total) {
			addsUp(t, line)
		}
		if want := []string{"engines/e1", "engines/e2", "engines/e3", "engines/e4", "engines/e5"}; !slices.Equal(trace.GetEngines(), want) ||
			!slices.Equal(trace.GetWorkOrders(), []string{order}) || trace.GetNodes()[5].GetDepth() != 5 {
			t.Errorf("engines %v, orders %v, nodes %v", trace.GetEngines(), trace.GetWorkOrders(), trace.GetNodes())
		}
		kinds := map[consumablesv1.Location_Kind]int{}
		for _, p := range trace.GetPlaces() {
			kinds[p.GetKind()]++
		}
		if kinds[consumablesv1.Location_ENGINE] != 5 || kinds[consumablesv1.Location_WASTE] != 1 || kinds[consumablesv1.Location_BIN] != 1 ||
			kinds[consumablesv1.Location_JOB] != 2 || kinds[consumablesv1.Location_COUNT_DIFFERENCE] != 1 {
			t.Errorf("places %v", trace.GetPlaces())
		}
		back := d.trace(mixes[4], consumablesv1.TraceLotRequest_BACKWARD, time.Time{})
		if len(back.GetNodes()) != 7 || len(back.GetReceipts()) != 2 || len(back.GetEdges()) != 10 || back.GetTotal() != nil {
			t.Errorf("backwards: %d lots, %d receipts, %d steps", len(back.GetNodes()), len(back.GetReceipts()), len(back.GetEdges()))
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: "lots/cln", Reason: "maker's letter"})).done(t)
		if got := d.lot(mixes[4]).GetState(); got != consumablesv1.Lot_RECALLED {
			t.Errorf("the fifth mix is %s", got)
		}
	})
}

// As of a time the trace stops at what had happened by then, both ways; what was undone never happened.
func TestATraceIsAsOfATime(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		start := d.clock.Now()
		mixes := d.thinned()
		for hours, want := range map[int]int{0: 1, 1: 2, 3: 4, 5: 6} {
			trace := d.trace("lots/cln", consumablesv1.TraceLotRequest_FORWARD, start.Add(time.Duration(hours)*time.Hour))
			if len(trace.GetNodes()) != want || len(trace.GetEngines()) != hours || trace.GetTotal().GetReceived().GetValue() != "3.785" {
				t.Errorf("after %d hours: %d lots, engines %v, %v", hours, len(trace.GetNodes()), trace.GetEngines(), trace.GetTotal())
			}
			for _, line := range append(trace.GetBalanceLines(), trace.GetTotal()) {
				addsUp(t, line)
			}
		}
		before := d.trace("lots/cln", consumablesv1.TraceLotRequest_FORWARD, start.Add(-time.Hour))
		if before.GetTotal().GetReceived().GetValue() != "0" || len(before.GetPlaces()) != 0 {
			t.Errorf("before it came: %v", before.GetTotal())
		}
		if back := d.trace(mixes[1], consumablesv1.TraceLotRequest_BACKWARD, start.Add(time.Hour)); len(back.GetNodes()) != 1 {
			t.Errorf("the second mix had parents before it was made: %v", back.GetNodes())
		}
		_, err := d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: "lots/none"})
		refused(t, "no lot", err, "NOT_FOUND")
	})
}

// What was undone is followed no longer.
func TestATraceLeavesOutWhatWasUndone(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "BLENDED"`})).done(t).GetStockMovements()
		of(d.reverse(moves[0].GetName())).done(t)
		forward := d.trace("lots/cln", consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		if len(forward.GetNodes()) != 1 || d.at("lots/cln", order) != "0.27" {
			t.Errorf("followed to %v", forward.GetNodes())
		}
		addsUp(t, forward.GetTotal())
		addsUp(t, d.trace(mix, consumablesv1.TraceLotRequest_FORWARD, time.Time{}).GetTotal())
		if store.Physical(order) {
			t.Error("a job is no place of stores")
		}
	})
}

// Water and antifreeze mixed in advance count as water when the cleaner goes in.
func TestAMixOfWaterAndAntifreezeCountsAsWater(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "antifreeze", Item: &consumablesv1.Item{
			DisplayName: "antifreeze", Kind: consumablesv1.Item_ANTIFREEZE, BaseUnitCode: "L",
		}})).done(t)
		d.ingredients()
		d.stocked("antifreeze", "frz", "5", days(300))
		d.kitted(order)
		d.issued("antifreeze", "lots/frz", order, "0.4")
		advance := &consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Output: litres("2"), PotLifeHours: 24,
			Parts: []*consumablesv1.BlendPart{{Lot: "lots/wtr", Quantity: litres("1.623")}, {Lot: "lots/frz", Quantity: litres("0.4")}},
		}
		advance.Ratio = &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}
		_, err := d.blend(advance)
		refused(t, "a ratio and no cleaner", err, "MIX_RATIO_INVALID")
		advance.Ratio = nil
		premix := of(d.blend(advance)).done(t).GetName()
		wash := &consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Ratio: &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}, Output: litres("1.89"),
			Parts: []*consumablesv1.BlendPart{{Lot: "lots/cln", Quantity: litres("0.27")}, {Lot: premix, Quantity: litres("1.3")}},
		}
		_, err = d.blend(wash)
		refused(t, "too little of the mix", err, "MIXING_LOSS_IMPLAUSIBLE")
		wash.Output = litres("1.57")
		_, err = d.blend(wash)
		refused(t, "too strong", err, "MIX_RATIO_NOT_MET")
		wash.Parts[1].Quantity, wash.Output, wash.Ratio = litres("1.62"), litres("1.89"), nil
		_, err = d.blend(wash)
		refused(t, "cleaner and no ratio", err, "MIX_RATIO_NOT_APPROVED")
		wash.Ratio = &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}
		if mix := of(d.blend(wash)).done(t); !mix.GetExpireTime().AsTime().Equal(d.clock.Now().Add(8 * time.Hour)) {
			t.Errorf("usable until %v (%s)", mix.GetExpireTime().AsTime(), mix.GetLifeRule())
		}
	})
}
