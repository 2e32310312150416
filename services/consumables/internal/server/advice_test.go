package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
)

// changed changes the cleaner.
func (d desk) changed(change func(*consumablesv1.Item)) (*consumablesv1.Item, error) {
	d.t.Helper()
	got := of(d.GetItem(d.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(d.t)
	change(got)
	return d.UpdateItem(d.clerk(), &consumablesv1.UpdateItemRequest{Item: got})
}

// 2 L of cleaner a day for ten days, one of which came back; the rest is arithmetic that the answer shows.
func TestAdviceOnOrdering(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		advise := func() (*consumablesv1.AdviseReorderResponse, error) {
			return d.AdviseReorder(d.clerk(), &consumablesv1.AdviseReorderRequest{Item: "items/cleaner", OrderedValue: "1"})
		}
		_, err := advise()
		refused(t, "no policy", err, "REORDER_POLICY_MISSING")
		of(d.changed(func(i *consumablesv1.Item) { i.ReorderPolicy = &consumablesv1.ReorderPolicy{CoverDays: 90} })).done(t)
		_, err = advise()
		refused(t, "neither a minimum nor a lead time", err, "REORDER_POLICY_MISSING")
		of(d.changed(func(i *consumablesv1.Item) {
			i.ReorderPolicy = &consumablesv1.ReorderPolicy{MinQuantity: litres("10"), CoverDays: 90, LeadDays: 14}
			i.PackSizes = []*consumablesv1.PackSize{{DisplayName: "can", Quantity: litres("2")}}
		})).done(t)
		lot := d.stocked("cleaner", "l1", "40", days(300)).GetName()
		d.stocked("cleaner", "soon", "3", days(20))
		d.needs(order, "cleaner", "31")
		var last *consumablesv1.StockMovement
		for range 10 {
			d.clock.Advance(24 * time.Hour)
			last = of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("2"), OverrideReason: "full cans"})).done(t)
		}
		of(d.back(last.GetName(), "1", "")).done(t)
		d.clock.Advance(24 * time.Hour)
		// Usable 21 + 3, of which 3 end within the lead time; 1 is on order; 31 − 20 are promised and 1 is missing again.
		got := of(advise()).done(t)
		if got.GetPosition().GetValue() != "10.000" || !got.GetOrderNow() || got.GetReorderPoint().GetValue() != "10.000" {
			t.Errorf("advice %v", got)
		}
		if len(got.GetSteps()) < 4 || !strings.HasSuffix(got.GetQuantity().GetValue(), ".000") || got.GetQuantity().GetValue() == "0.000" {
			t.Errorf("order %v, steps %v", got.GetQuantity(), got.GetSteps())
		}
		_, err = d.changed(func(i *consumablesv1.Item) { i.ReorderPolicy.MinQuantity.UnitCode = "kg" })
		refused(t, "a minimum in kg", err, "UNIT_MISMATCH")
	})
}

// Ten litres end next week and all are promised for tomorrow: they are taken off once, and none is missing.
func TestWhatIsPromisedAndEndsCountsOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) {
			i.ReorderPolicy = &consumablesv1.ReorderPolicy{LeadDays: 14, CoverDays: 90}
		})).done(t)
		d.stocked("cleaner", "soon", "10", days(7))
		d.needs(order, "cleaner", "8")
		got := of(d.AdviseReorder(d.clerk(), &consumablesv1.AdviseReorderRequest{Item: "items/cleaner"})).done(t)
		if got.GetPosition().GetValue() != "0.000" || got.GetOrderNow() {
			t.Errorf("position %v, %s", got.GetPosition(), got.GetExplanation())
		}
	})
}

// A shortage says which lots were passed over, and why.
func TestAShortageSaysWhy(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.received("cleaner", "held", "5", days(200))
		d.stocked("cleaner", "brief", "1", days(0))
		a := &app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return a.Demand(ctx, tx, store.Job{WorkOrder: order}, days(3), []app.Line{{Item: "items/cleaner", Value: "2", Unit: "L"}})
		})).done(t)
		fact := &consumablesv1.DemandsAnswered{}
		d.published("coldsection.stock.ran_low.v1", fact)
		said := strings.Join(fact.GetReasons(), "\n")
		if !strings.Contains(said, "LOT_HELD: Lot lots/held") || !strings.Contains(said, "LOT_EXPIRED: Lot lots/brief") || !strings.Contains(said, "2 L are needed and 2") {
			t.Errorf("reasons %s", said)
		}
	})
}

// The data of an item are such that a label and a rule can be made of them.
func TestItemDataAreChecked(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		for reason, change := range map[string]func(*consumablesv1.Item){
			"HAZARD_CODE_INVALID": func(i *consumablesv1.Item) { i.HazardStatements = []string{"H319"} }, // GHS Annex 3: the code alone is not the label
			"REORDER_LIMITS_REVERSED": func(i *consumablesv1.Item) {
				i.ReorderPolicy = &consumablesv1.ReorderPolicy{MinQuantity: litres("10"), MaxQuantity: litres("5")}
			},
			"STORAGE_LIMITS_REVERSED": func(i *consumablesv1.Item) { i.StorageMinC, i.StorageMaxC = proto.Float64(30), proto.Float64(5) },
			"UNIT_MISMATCH": func(i *consumablesv1.Item) {
				i.PackSizes = []*consumablesv1.PackSize{{DisplayName: "bag", Quantity: litres("1")}}
				i.PackSizes[0].Quantity.UnitCode = "kg"
			},
		} {
			_, err := d.changed(change)
			refused(t, reason, err, reason)
		}
		_, err := d.changed(func(i *consumablesv1.Item) { i.Pictograms = []string{"GHS10"} })
		refused(t, "a tenth pictogram", err, "HAZARD_CODE_INVALID")
		of(d.changed(func(i *consumablesv1.Item) {
			i.HazardStatements, i.Pictograms = []string{"H225 Highly flammable liquid and vapour", "H301+H311 Toxic if swallowed or in contact with skin"}, []string{"GHS02", "GHS06"}
			i.ExternalIds = map[string]string{"erp": "4711"}
		})).done(t)
		if got := of(d.LookUpItem(d.clerk(), &consumablesv1.LookUpItemRequest{System: "erp", ExternalId: "4711"})).done(t); got.GetName() != "items/cleaner" {
			t.Errorf("found %s", got.GetName())
		}
		_, err = d.LookUpItem(d.clerk(), &consumablesv1.LookUpItemRequest{System: "erp", ExternalId: "1"})
		refused(t, "no such id", err, "ITEM_UNKNOWN")
	})
}

// Every question that the item asks is answered, by now, before a lot is cleared; the newest answer counts.
func TestTheInspectionAnswersEveryQuestion(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		questions := []string{"Is the seal whole?", "Is the sheet here?"}
		of(d.changed(func(i *consumablesv1.Item) { i.ReceivingQuestions = questions })).done(t)
		lot := d.received("cleaner", "l1", "5", days(200)).GetName()
		answer := func(answers ...consumablesv1.InspectionAnswer_Answer) error {
			req := &consumablesv1.ClearLotRequest{Name: lot}
			for i, a := range answers {
				req.Answers = append(req.Answers, &consumablesv1.InspectionAnswer{Question: questions[i], Answer: a})
			}
			_, err := d.ClearLot(d.clerk(), req)
			return err
		}
		refused(t, "nothing answered", answer(), "INSPECTION_INCOMPLETE")
		refused(t, "one answered", answer(consumablesv1.InspectionAnswer_YES), "INSPECTION_INCOMPLETE")
		refused(t, "one no", answer(consumablesv1.InspectionAnswer_YES, consumablesv1.InspectionAnswer_NO), "INSPECTION_INCOMPLETE")
		of(0, answer(consumablesv1.InspectionAnswer_YES, consumablesv1.InspectionAnswer_NOT_APPLICABLE)).done(t)
		if got := d.lot(lot).GetAnswers(); len(got) != 2 || got[1].GetAnswer() != consumablesv1.InspectionAnswer_NOT_APPLICABLE {
			t.Errorf("answers %v", got)
		}
	})
}

// L05, L07 and L08 (public summaries of SAE AS5316) and L01 (months clip to the end of the month), on lots.
func TestLivesOfSealsAndInMonths(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		receive := func(id, elastomer, quarter string, months int32) (*consumablesv1.Lot, error) {
			of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: id, Item: &consumablesv1.Item{
				DisplayName: id, Kind: consumablesv1.Item_SEAL, BaseUnitCode: "{each}", Elastomer: elastomer, ShelfLifeMonths: months,
			}})).done(t)
			q := litres("5")
			q.UnitCode = "{each}"
			return d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: q, Lot: &consumablesv1.Lot{Item: "items/" + id, CureQuarter: quarter}})
		}
		nbr := of(receive("nbr", "NBR", "2Q26", 0)).done(t)
		if got := nbr.GetExpireTime().AsTime().Format(time.DateOnly); got != "2041-06-30" {
			t.Errorf("L05: %s", got)
		}
		if fkm := of(receive("fkm", "FKM", "", 0)).done(t); fkm.GetExpireTime() != nil || fkm.GetLifeRule() != "no life limit" {
			t.Errorf("L06: %v", fkm)
		}
		_, err := receive("sbr", "SBR", "2Q26", 0)
		refused(t, "L08", err, "ELASTOMER_LIFE_UNKNOWN")
		own := of(receive("sbr-own", "SBR", "2Q26", 36)).done(t)
		if got := own.GetExpireTime().AsTime().Format(time.DateOnly); got != "2029-06-30" {
			t.Errorf("L08, with the owner's value: %s", got)
		}
		_, err = receive("au", "AU/EU", "3Q21", 0)
		refused(t, "cured before the shelf life of L07", err, "LOT_EXPIRED")
		_, err = receive("nbr-two", "NBR", "", 0)
		refused(t, "no quarter", err, "CURE_QUARTER_INVALID")
	})
}
