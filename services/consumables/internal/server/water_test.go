package server_test

import (
	"context"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/events"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// calibrated lets the fact of a calibration take effect.
func (d desk) calibrated(fact *compliancev1.ToolChanged) {
	d.t.Helper()
	data := of(protojson.Marshal(fact)).done(d.t)
	handle := events.Consumer(&app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}).Handle
	effect := of(handle(d.t.Context(), eventbus.Message{Event: outbox.Event{ID: ids.System().New(), Type: "coldsection.tools.tool.calibrated.v1", Time: d.clock.Now(), Data: data}})).done(d.t)
	if effect != nil {
		of(0, d.db.Update(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return effect(ctx, tx) })).done(d.t)
	}
}

// published reads the newest fact of a type.
func (d desk) published(typ string, into proto.Message) {
	d.t.Helper()
	var data []byte
	of(0, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT data FROM outbox WHERE type = $1 ORDER BY seq DESC LIMIT 1", typ).Scan(&data)
	})).done(d.t)
	of(0, protojson.Unmarshal(json.RawMessage(data), into)).done(d.t)
}

func (d desk) retestedAfter(days int32) {
	d.t.Helper()
	item := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/water"})).done(d.t)
	item.WaterRetestDays = days
	of(d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(d.t)
}

func reading(conductivity, temperature string) *consumablesv1.WaterTest {
	return &consumablesv1.WaterTest{
		Meter: "tools/meter", Conductivity: &commonv1.Entered{Text: conductivity, UnitCode: "uS/cm"}, Temperature: &commonv1.Entered{Text: temperature, UnitCode: "Cel"},
		Ph: &commonv1.Entered{Text: "6.8", UnitCode: "[pH]"}, DissolvedSolids: &commonv1.Entered{Text: "1", UnitCode: "mg/L"},
	}
}

// A test says how its temperature was treated; an unsafe treatment leaves no test, and the lot as it was.
func TestWaterTestsSayHowTheyWereTreated(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		test := func(r *consumablesv1.WaterTest, grade string) (*consumablesv1.WaterTest, error) {
			if r.Grade = grade; grade != "" {
				r.Grade = "waterGrades/" + grade
			}
			return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: r})
		}
		_, err := test(reading("3.6", "19.5"), "")
		refused(t, "the linear form on pure water", err, "TEMPERATURE_TREATMENT_UNSAFE")
		// W09: 5.4 at 30 °C is 4.909 at 25 °C; W14: common practice factors 0.5 and 0.7.
		got := of(test(reading("5.4", "30"), "")).done(t)
		if got.GetTreatment() != consumablesv1.WaterTest_LINEAR || got.GetVerdict() != consumablesv1.WaterTest_PASSED ||
			got.GetSolidsEstimateMinMgL() >= got.GetSolidsEstimateMaxMgL() || got.GetSolidsEstimateMaxMgL() < 3.43 {
			t.Errorf("W09: %v", got)
		}
		// W11: USP <645> stage 1, the row of 20 °C.
		if got = of(test(reading("1.1", "22.5"), "usp-645")).done(t); got.GetTreatment() != consumablesv1.WaterTest_STEPPED || got.GetVerdict() != consumablesv1.WaterTest_PASSED {
			t.Errorf("W11: %v", got)
		}
		if tests := of(d.ListWaterTests(d.clerk(), &consumablesv1.ListWaterTestsRequest{Parent: lot})).done(t).GetWaterTests(); len(tests) != 3 {
			t.Errorf("%d tests", len(tests))
		}
		if got := d.lot(lot).GetState(); got != consumablesv1.Lot_USABLE {
			t.Errorf("the lot is %s", got)
		}
	})
}

// Water keeps its purity for a time only: after the item's days it is tested again before use, also as of the time of need.
func TestWaterIsTestedAgain(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.retestedAfter(7)
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		d.needs(order, "water", "2")
		d.known("workOrders/later")
		_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: "workOrders/later", Item: "items/water", Quantity: litres("1"), NeedTime: timestamppb.New(days(8)),
		})
		refused(t, "needed after its test runs out", err, "INSUFFICIENT_STOCK")
		d.clock.Advance(7*24*time.Hour + time.Minute)
		_, err = d.issue(lot, order, "1")
		refused(t, "its test ran out", err, "WATER_RETEST_DUE")
		skipped := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/water", QuantityValue: "1", QuantityUnitCode: "L"})).done(t).GetSkipped()
		if len(skipped) != 1 || skipped[0].GetReason() != "WATER_RETEST_DUE" {
			t.Errorf("skipped %v", skipped)
		}
		of(d.tested(lot, "4.8")).done(t)
		of(d.issue(lot, order, "1")).done(t)
	})
}

// A meter found out of tolerance takes back what it passed since its last good calibration: lots that rest on it are held
// with their containers, and the engines that such water reached are named.
func TestADoubtedMeterFindsAllThatItPassed(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		before := d.stocked("water", "w0", "20", days(60)).GetName()
		d.clock.Advance(10 * 24 * time.Hour)
		rests := d.stocked("water", "w1", "20", days(60)).GetName()
		retested := d.stocked("water", "w2", "20", days(60)).GetName()
		bottle := of(d.decant(rests, "2", "")).done(t).GetName()
		used := d.stocked("water", "w3", "1", days(20)).GetName()
		d.issued("water", used, order, "1")
		of(d.use(used, order, "engines/e1", "1")).done(t)
		d.clock.Advance(24 * time.Hour)
		again := reading("4.8", "25")
		again.Meter = "tools/other"
		of(d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: retested, WaterTest: again})).done(t)
		d.calibrated(&compliancev1.ToolChanged{Tool: "tools/meter"})
		if n := d.facts("coldsection.stock.meter.doubted.v1"); n != 0 {
			t.Errorf("a good calibration doubted %d times", n)
		}
		good := morning.AddDate(0, 0, 9)
		d.calibrated(&compliancev1.ToolChanged{
			Tool: "tools/meter", FoundOutOfTolerance: true, PreviousCalibrationDate: &date.Date{Year: int32(good.Year()), Month: int32(good.Month()), Day: int32(good.Day())},
		})
		fact := &consumablesv1.MeterDoubted{}
		d.published("coldsection.stock.meter.doubted.v1", fact)
		if len(fact.GetWaterTests()) != 3 || !slices.Equal(fact.GetReachedEngines(), []string{"engines/e1"}) || !slices.Equal(fact.GetReachedWorkOrders(), []string{order}) {
			t.Errorf("fact %v", fact)
		}
		for name, want := range map[string]consumablesv1.Lot_State{
			before: consumablesv1.Lot_USABLE, rests: consumablesv1.Lot_HELD, bottle: consumablesv1.Lot_HELD, retested: consumablesv1.Lot_USABLE, used: consumablesv1.Lot_EMPTIED,
		} {
			if got := d.lot(name).GetState(); got != want || slices.Contains(fact.GetHeldLots(), name) != (want == consumablesv1.Lot_HELD) {
				t.Errorf("%s is %s, held lots %v", name, got, fact.GetHeldLots())
			}
		}
		_, err := d.clear(rests)
		refused(t, "cleared on the doubted test", err, "WATER_TEST_DOUBTED")
		of(d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: rests, WaterTest: again})).done(t)
		of(d.clear(rests)).done(t)
	})
}

// A meter that never had a good calibration passed nothing that counts.
func TestAMeterWithoutAnEarlierCalibrationDoubtsAll(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		d.calibrated(&compliancev1.ToolChanged{Tool: "tools/meter", FoundOutOfTolerance: true})
		if got := d.lot(lot); got.GetState() != consumablesv1.Lot_HELD {
			t.Errorf("the lot is %s", got.GetState())
		}
		d.calibrated(&compliancev1.ToolChanged{Tool: "tools/wrench", FoundOutOfTolerance: true})
	})
}
