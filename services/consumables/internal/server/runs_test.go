package server_test

import (
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// run is a run of the still that ended when the test begins, of 30 L into two tanks.
func (d desk) run(id string, change func(*consumablesv1.ProductionRun)) (*consumablesv1.ProductionRun, error) {
	run := &consumablesv1.ProductionRun{
		Equipment: "Still 1", Process: consumablesv1.ProductionRun_STILL, Item: "items/water", FeedWater: "town water",
		FeedConductivity: &commonv1.Entered{Text: "420", UnitCode: "uS/cm"}, Volume: litres("31"),
		StartTime: timestamppb.New(d.clock.Now().Add(-6 * time.Hour)), EndTime: timestamppb.New(d.clock.Now()),
		Outputs:     []*consumablesv1.RunOutput{{Quantity: litres("20"), Location: shelf, LotId: id + "-a"}, {Quantity: litres("10"), Location: "locations/back", LotId: id + "-b"}},
		PartChanges: []*consumablesv1.PartChange{{Part: consumablesv1.PartChange_CARTRIDGE, LotNumber: "CARTRIDGE-7", ChangeTime: timestamppb.New(d.clock.Now().Add(-7 * time.Hour))}},
	}
	if change != nil {
		change(run)
	}
	return d.CreateProductionRun(d.as("tina", "technician"), &consumablesv1.CreateProductionRunRequest{ProductionRun: run, ProductionRunId: id})
}

// keeps gives the water a life of 30 days, without which it is not usable.
func (d desk) keeps() {
	d.t.Helper()
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/water"})).done(d.t)
	item.ShelfLifeDays, item.CertificateRequired = 30, true
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(d.t)
}

// sampled tests a lot, as a sample of its run or of the lot alone.
func (d desk) sampled(lot, conductivity string, ofRun bool) (*consumablesv1.WaterTest, error) {
	test := reading(conductivity, "25")
	test.RunSample = ofRun
	return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})
}

// Stores handbook B10: a run has its feed, times, volume, cartridge and readings, and makes lots with a life of their own that wait
// for a test; no certificate comes with what was made here.
func TestARunMakesLots(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		run := of(d.run("r1", nil)).done(t)
		if run.GetOperator() != "people/tina" || run.GetOutputs()[0].GetLot() != "lots/r1-a" || len(run.GetOutputs()) != 2 || run.GetVerdict() != consumablesv1.WaterTest_VERDICT_UNSPECIFIED {
			t.Errorf("run %v", run)
		}
		first, second := d.lot("lots/r1-a"), d.lot("lots/r1-b")
		if first.GetState() != consumablesv1.Lot_HELD || first.GetProductionRun() != run.GetName() || first.GetReceived().GetValue() != "20" ||
			first.GetExpireTime().AsTime().Format(time.DateOnly) != "2026-12-25" || d.at(second.GetName(), "locations/back") != "10" {
			t.Errorf("lots %v and %v", first, second)
		}
		_, err := d.clear(first.GetName())
		refused(t, "not tested", err, "WATER_NOT_TESTED")
		test := of(d.sampled(first.GetName(), "4.9", true)).done(t)
		if test.GetProductionRun() != run.GetName() {
			t.Errorf("test %v", test)
		}
		for _, lot := range []string{"lots/r1-a", "lots/r1-b"} {
			if got := of(d.clear(lot)).done(t); got.GetState() != consumablesv1.Lot_USABLE || got.GetLatestWaterTest() != test.GetName() {
				t.Errorf("cleared %v", got)
			}
		}
		got := of(d.GetProductionRun(d.clerk(), &consumablesv1.GetProductionRunRequest{Name: run.GetName()})).done(t)
		if !slices.Equal(got.GetWaterTests(), []string{test.GetName()}) || got.GetVerdict() != consumablesv1.WaterTest_PASSED || got.GetConductivityUsCm() != 4.9 {
			t.Errorf("run %v", got)
		}
		fact := &consumablesv1.WaterProduced{}
		if d.published("coldsection.stock.water.produced.v1", fact); fact.GetEquipment() != "Still 1" || len(fact.GetLots()) != 2 {
			t.Errorf("fact %v", fact)
		}
		back := d.trace("lots/r1-a", consumablesv1.TraceLotRequest_BACKWARD, time.Time{})
		if len(back.GetReceipts()) != 1 || back.GetReceipts()[0].GetReason() != "Made by "+run.GetName() {
			t.Errorf("receipts %v", back.GetReceipts())
		}
		d.balanced()
	})
}

// A failed sample of the run holds all its lots and what was filled from them; one of a tank alone holds that tank.
func TestAFailedSampleHoldsTheRun(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		of(d.run("r1", nil)).done(t)
		of(d.sampled("lots/r1-a", "4.9", true)).done(t)
		of(d.clear("lots/r1-a")).done(t)
		of(d.clear("lots/r1-b")).done(t)
		bottle := of(d.decant("lots/r1-b", "2", "")).done(t).GetName()
		of(d.sampled("lots/r1-a", "5.1", false)).done(t) // W02: above 5.0, ISO 3696:1987 grade 3
		states := func(want ...consumablesv1.Lot_State) {
			t.Helper()
			for i, lot := range []string{"lots/r1-a", "lots/r1-b", bottle} {
				if got := d.lot(lot).GetState(); got != want[i] {
					t.Errorf("%s is %s, want %s", lot, got, want[i])
				}
			}
		}
		states(consumablesv1.Lot_HELD, consumablesv1.Lot_USABLE, consumablesv1.Lot_USABLE)
		of(d.sampled("lots/r1-a", "5.1", true)).done(t)
		states(consumablesv1.Lot_HELD, consumablesv1.Lot_HELD, consumablesv1.Lot_HELD)
		if got := d.lot("lots/r1-a").GetHoldReason(); got != "Its newest water test failed" {
			t.Errorf("held because %q", got)
		}
		_, err := d.clear("lots/r1-b")
		refused(t, "cleared on the failed sample", err, "WATER_TEST_FAILED")
		run := of(d.ListProductionRuns(d.clerk(), &consumablesv1.ListProductionRunsRequest{Filter: `equipment = "Still 1" AND verdict = "FAILED"`})).done(t).GetProductionRuns()
		if len(run) != 1 || len(run[0].GetWaterTests()) != 3 || run[0].GetConductivityUsCm() != 5.1 {
			t.Errorf("runs %v", run)
		}
	})
}

// A meter found out of tolerance finds every lot of a run whose sample it passed, also one that is used up, and its engine.
func TestADoubtedSampleFindsTheWholeRun(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		of(d.run("r1", nil)).done(t)
		of(d.sampled("lots/r1-a", "4.9", true)).done(t)
		of(d.clear("lots/r1-a")).done(t)
		of(d.clear("lots/r1-b")).done(t)
		d.needs(order, "water", "10")
		of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: "lots/r1-b", WorkOrder: order, Quantity: litres("10")})).done(t)
		of(d.use("lots/r1-b", order, "engines/e1", "10")).done(t)
		d.calibrated(&compliancev1.ToolChanged{Tool: "tools/meter", FoundOutOfTolerance: true})
		fact := &consumablesv1.MeterDoubted{}
		d.published("coldsection.stock.meter.doubted.v1", fact)
		if !slices.Equal(fact.GetReachedEngines(), []string{"engines/e1"}) || !slices.Equal(fact.GetHeldLots(), []string{"lots/r1-a"}) {
			t.Errorf("fact %v", fact)
		}
	})
}

func TestRunsThatCanNotHaveBeen(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		of(d.run("r1", nil)).done(t)
		at := func(hours int) *timestamppb.Timestamp {
			return timestamppb.New(d.clock.Now().Add(time.Duration(hours) * time.Hour))
		}
		for what, c := range map[string]struct {
			change func(*consumablesv1.ProductionRun)
			reason string
		}{
			"at the same time": {func(r *consumablesv1.ProductionRun) { r.StartTime, r.EndTime = at(-7), at(-5) }, "RUN_OVERLAPS"},
			"backwards":        {func(r *consumablesv1.ProductionRun) { r.StartTime, r.EndTime = at(-1), at(-2) }, "RUN_TIMES_REVERSED"},
			"of no length":     {func(r *consumablesv1.ProductionRun) { r.StartTime = r.GetEndTime() }, "RUN_TIMES_REVERSED"},
			"tomorrow":         {func(r *consumablesv1.ProductionRun) { r.StartTime, r.EndTime = at(1), at(24) }, "TIME_IN_FUTURE"},
			"changed tomorrow": {func(r *consumablesv1.ProductionRun) { r.PartChanges[0].ChangeTime = at(24) }, "TIME_IN_FUTURE"},
			"too much filled":  {func(r *consumablesv1.ProductionRun) { r.Equipment, r.Volume = "Still 2", litres("29.9") }, "RUN_VOLUME_EXCEEDED"},
			"of cleaner":       {func(r *consumablesv1.ProductionRun) { r.Item = "items/cleaner" }, "ITEM_NOT_WATER"},
			"of nothing":       {func(r *consumablesv1.ProductionRun) { r.Equipment, r.Volume = "Still 2", litres("0") }, "QUANTITY_NOT_POSITIVE"},
			"in kilograms":     {func(r *consumablesv1.ProductionRun) { r.Equipment, r.Volume.UnitCode = "Still 2", "kg" }, "UNIT_MISMATCH"},
			"past its life":    {func(r *consumablesv1.ProductionRun) { r.StartTime, r.EndTime = at(-24*41), at(-24*40) }, "LOT_EXPIRED"},
			"nowhere":          {func(r *consumablesv1.ProductionRun) { r.Equipment, r.Outputs[1].Location = "Still 2", "locations/none" }, "NOT_FOUND"},
			"no process":       {func(r *consumablesv1.ProductionRun) { r.Process = 0 }, "INVALID_REQUEST"},
		} {
			_, err := d.run("bad", c.change)
			if c.reason == "INVALID_REQUEST" {
				if err == nil {
					t.Errorf("%s was taken", what)
				}
				continue
			}
			refused(t, what, err, c.reason)
		}
		lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots()
		runs := of(d.ListProductionRuns(d.clerk(), &consumablesv1.ListProductionRunsRequest{})).done(t).GetProductionRuns()
		if len(lots) != 2 || len(runs) != 1 {
			t.Errorf("left behind: %d lots, %d runs", len(lots), len(runs))
		}
		of(d.run("r2", func(r *consumablesv1.ProductionRun) { r.Equipment = "Still 2" })).done(t)
		lot := d.stocked("water", "bought", "5", days(30)).GetName()
		_, err := d.sampled(lot, "4.8", true)
		refused(t, "a run sample of bought water", err, "RUN_UNKNOWN")
		if got := of(d.GetProductionRun(d.clerk(), &consumablesv1.GetProductionRunRequest{Name: "productionRuns/r1"})).done(t); !proto.Equal(got, runs[0]) {
			t.Errorf("read %v, listed %v", got, runs[0])
		}
	})
}

// Samples of one run that are taken from its tanks at once count one after the other, and none of them is lost.
func TestSamplesOfARunAtOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.keeps()
		of(d.run("r1", nil)).done(t)
		var wg sync.WaitGroup
		errs := make([]error, 16)
		for i := range errs {
			wg.Go(func() { _, errs[i] = d.sampled([]string{"lots/r1-a", "lots/r1-b"}[i%2], "4.9", true) })
		}
		wg.Wait()
		for _, err := range errs {
			if err != nil {
				t.Error(err)
			}
		}
		run := of(d.GetProductionRun(d.clerk(), &consumablesv1.GetProductionRunRequest{Name: "productionRuns/r1"})).done(t)
		if n := len(run.GetWaterTests()); n != len(errs) || d.lot("lots/r1-a").GetLatestWaterTest() != d.lot("lots/r1-b").GetLatestWaterTest() {
			t.Errorf("%d tests of the run; newest %s and %s", n, d.lot("lots/r1-a").GetLatestWaterTest(), d.lot("lots/r1-b").GetLatestWaterTest())
		}
	})
}
