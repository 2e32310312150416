package story

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

const (
	cleanerItem = "items/cleaner"
	waterItem   = "items/water"
	blendItem   = "items/wash-solution"
	shelf       = "locations/shelf-a"
	receiving   = "locations/receiving"
)

func litres(value string) *commonv1.Quantity { return &commonv1.Quantity{Value: value, UnitCode: "L"} }

func amount(q *commonv1.Quantity) string {
	if q == nil {
		return "nothing"
	}
	return q.GetValue() + " " + q.GetUnitCode()
}

// stores sets the catalogue up and receives cleaner and water the way an auditor wants to see it.
func (s *Story) stores(ctx context.Context) error {
	for _, step := range []func(context.Context) error{s.catalogue, s.places, s.receiveCleaner, s.receiveWater} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (s *Story) catalogue(ctx context.Context) error {
	clerk := consumablesv1.NewConsumablesServiceClient(s.cast["stores"])
	for id, item := range map[string]*consumablesv1.Item{
		"cleaner": {
			DisplayName: "Compressor cleaner, concentrate (demonstration)", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L",
			ApprovedMixRatios: []*consumablesv1.MixRatio{{WaterParts: 4, CleanerParts: 1}}, OpenedLifeDays: 180, PotLifeHours: 8,
			CertificateRequired: true, HazardStatements: []string{"H319 Causes serious eye irritation"}, Pictograms: []string{"GHS07"},
			SafetyDataSheetRevision: "3", SafetyDataSheetDate: civil(historyFrom),
		},
		"water": {
			DisplayName: "Demineralised water", Kind: consumablesv1.Item_WATER, BaseUnitCode: "L", WaterGrade: "waterGrades/iso3696-3",
			ShelfLifeDays: 60, OpenedLifeDays: 60,
		},
		"wash-solution": {
			DisplayName: "Wash solution, mixed here", Kind: consumablesv1.Item_BLEND, BaseUnitCode: "L", PotLifeHours: 8,
		},
		"antifreeze": {
			DisplayName: "Methanol, for the water phase in the cold", Kind: consumablesv1.Item_ANTIFREEZE, BaseUnitCode: "L",
			CertificateRequired: true, HazardStatements: []string{"H225 Highly flammable liquid and vapour", "H370 Causes damage to organs"},
			Pictograms: []string{"GHS02", "GHS06", "GHS08"},
		},
	} {
		item.DemonstrationOnly = true
		if _, err := clerk.CreateItem(ctx, &consumablesv1.CreateItemRequest{Item: item, ItemId: id, RequestId: s.key("item " + id)}); err != nil {
			return err
		}
	}
	return nil
}

func (s *Story) places(ctx context.Context) error {
	clerk := consumablesv1.NewConsumablesServiceClient(s.cast["stores"])
	for id, place := range map[string]*consumablesv1.Location{
		"shelf-a":   {DisplayName: "Shelf A", Kind: consumablesv1.Location_BIN, TimeZone: zone},
		"receiving": {DisplayName: "Receiving area", Kind: consumablesv1.Location_HOLD_AREA, TimeZone: zone},
	} {
		if _, err := clerk.CreateLocation(ctx, &consumablesv1.CreateLocationRequest{
			Location: place, LocationId: id, RequestId: s.key("place " + id),
		}); err != nil {
			return err
		}
	}
	return nil
}

// receiveCleaner receives two lots, so that the one that runs out first can be chosen.
func (s *Story) receiveCleaner(ctx context.Context) error {
	clerk := consumablesv1.NewConsumablesServiceClient(s.cast["stores"])
	for _, l := range []struct {
		id, lot string
		days    int
	}{{"cleaner-b", "DEMO-LOT-B", 400}, {"cleaner-a", "DEMO-LOT-A", 120}, {"cleaner-old", "DEMO-LOT-0", 1}} {
		got, err := clerk.ReceiveLot(ctx, &consumablesv1.ReceiveLotRequest{
			LotId: l.id, RequestId: s.key("receive " + l.id), Quantity: litres("20"), Location: receiving,
			Lot: &consumablesv1.Lot{
				Item: cleanerItem, ManufacturerLot: l.lot, Supplier: "Demonstration supplier",
				UseByDate: civil(beginning.AddDate(0, 0, l.days)), ManufactureDate: civil(beginning.AddDate(0, 0, l.days-730)),
				Certificate: &consumablesv1.Certificate{Number: "DEMO-COC-" + l.id, Issuer: "Demonstration supplier", IssueDate: civil(beginning.AddDate(0, -1, 0))},
			},
			Answers: goodsInAnswers,
		})
		if err != nil {
			return err
		}
		got, err = clerk.ClearLot(ctx, &consumablesv1.ClearLotRequest{Name: got.GetName(), Location: shelf, RequestId: s.key("clear " + l.id)})
		if err != nil {
			return err
		}
		s.tell.Line("Received %s of cleaner, manufacturer's lot %s, label %s, use by %s, certificate %s: %s.", amount(got.GetReceived()),
			got.GetManufacturerLot(), got.GetShortCode(), isoDate(got.GetUseByDate()), got.GetCertificate().GetNumber(), got.GetState())
	}
	return nil
}

var goodsInAnswers = []*consumablesv1.InspectionAnswer{
	{Question: "Containers undamaged and sealed?", Answer: consumablesv1.InspectionAnswer_YES},
	{Question: "Label, order and certificate agree?", Answer: consumablesv1.InspectionAnswer_YES},
	{Question: "Safety data sheet at hand?", Answer: consumablesv1.InspectionAnswer_YES},
}

// makeWater books a run of the still, whose lot waits for its test.
func (s *Story) makeWater(ctx context.Context) (string, error) {
	run, err := consumablesv1.NewWaterServiceClient(s.cast["stores"]).CreateProductionRun(ctx, &consumablesv1.CreateProductionRunRequest{
		ProductionRunId: "still-1-214", RequestId: s.key("make water"),
		ProductionRun: &consumablesv1.ProductionRun{
			Equipment: "Still 1 (demonstration)", Process: consumablesv1.ProductionRun_STILL, Item: waterItem, FeedWater: "Town water",
			FeedConductivity: &commonv1.Entered{Text: "310", UnitCode: "uS/cm"}, Volume: litres("62"),
			StartTime: timestamppb.New(beginning.Add(-8 * time.Hour)), EndTime: timestamppb.New(beginning.Add(-2 * time.Hour)),
			Outputs: []*consumablesv1.RunOutput{{LotId: "water-1", Quantity: litres("60"), Location: receiving}},
		},
	})
	if err != nil {
		return "", err
	}
	s.tell.Line("%s made %s of %s, of which %s was filled; the lot waits for a test of the run.", run.GetEquipment(), amount(run.GetVolume()), waterItem,
		amount(run.GetOutputs()[0].GetQuantity()))
	return run.GetOutputs()[0].GetLot(), nil
}

func (s *Story) receiveWater(ctx context.Context) error {
	clerk := consumablesv1.NewConsumablesServiceClient(s.cast["stores"])
	made, err := s.makeWater(ctx)
	if err != nil {
		return err
	}
	test, err := clerk.CreateWaterTest(ctx, &consumablesv1.CreateWaterTestRequest{
		Parent: made, WaterTestId: "test-1", RequestId: s.key("test water"),
		WaterTest: &consumablesv1.WaterTest{
			Conductivity: &commonv1.Entered{Text: "3,6", UnitCode: "uS/cm"}, Temperature: &commonv1.Entered{Text: "24.6", UnitCode: "Cel"},
			Ph: &commonv1.Entered{Text: "6.4", UnitCode: "[pH]"}, Meter: "tools/conductivity-meter", TestTime: timestamppb.New(beginning.Add(-time.Hour)),
			DissolvedSolids: &commonv1.Entered{Text: "1.5", UnitCode: "mg/L"}, RunSample: true,
		},
	})
	if err != nil {
		return err
	}
	for _, c := range test.GetChecks() {
		s.tell.Line("Water test, %s: %.2f %s against %s, met: %t (%s).", c.GetProperty(), c.GetValue(), c.GetUnitCode(), c.GetLimit(), c.GetMet(), c.GetSource())
	}
	lot, err := clerk.ClearLot(ctx, &consumablesv1.ClearLotRequest{Name: made, Location: shelf, RequestId: s.key("clear water"), Answers: goodsInAnswers[:1]})
	if err != nil {
		return err
	}
	s.tell.Line("Water lot %s, %s: %s, usable until %s.", lot.GetShortCode(), amount(lot.GetOnHand()), lot.GetState(), instant(lot.GetExpireTime()))
	return nil
}
