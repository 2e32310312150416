package server_test

import (
	"context"
	"encoding/csv"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/events"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// attempt is one bad input, or one that only looks bad; it returns how it was answered.
type attempt func(t *testing.T, d desk) error

// faultRows are the rows of the table: the fault's id, what is tried, the reason it is refused with ("taken" when it is not), and
// what the sentence must name, parted by bars: the thing, the rule, the next move.
func faultRows(t *testing.T) [][]string {
	t.Helper()
	file := of(os.Open("testdata/faults.csv")).done(t)
	defer func() { _ = file.Close() }()
	return of(csv.NewReader(file).ReadAll()).done(t)[1:]
}

// Every fault of values and of repeats that touches stores is tried on both engines, and is answered as the table says; a row that
// nobody tries fails, and so does a try that is in no row.
func TestFaultsAreAnsweredAsTheTableSays(t *testing.T) {
	rows, tries, known := faultRows(t), attempts(), []string{}
	for _, row := range rows {
		id, reason, says := row[0]+" "+row[1], row[2], strings.Split(row[3], " | ")
		known = append(known, id)
		try := tries[id]
		if try == nil {
			t.Errorf("%s: nobody tries it", id)
			continue
		}
		t.Run(strings.ReplaceAll(id, "/", " per "), func(t *testing.T) {
			desks(t, func(t *testing.T, d desk) { answered(t, try(t, d), reason, says) })
		})
	}
	for id := range tries {
		if !slices.Contains(known, id) {
			t.Errorf("%s is tried and is in no row", id)
		}
	}
}

// answered holds an answer against its row.
func answered(t *testing.T, err error, reason string, says []string) {
	t.Helper()
	if reason == "taken" {
		if err != nil {
			t.Errorf("refused: %v", err)
		}
		return
	}
	f, ok := fault.As(err)
	if !ok || f.Reason != reason {
		t.Fatalf("got %v, want %s", err, reason)
	}
	if len(says) != 3 {
		t.Errorf("the row names %d of thing, rule and next move: %q", len(says), f.Message)
	}
	for _, part := range says {
		if part == "" || !strings.Contains(f.Message, part) {
			t.Errorf("%q does not name %q", f.Message, part)
		}
	}
}

func attempts() map[string]attempt {
	all := map[string]attempt{}
	for _, some := range []map[string]attempt{waterFaults(), ratioFaults(), amountFaults(), returnFaults(), lifeFaults(), importFaults(), repeatFaults(), sizeFaults()} {
		maps.Copy(all, some)
	}
	return all
}

// conducted tests water with a conductivity, and clears it as the test lets it be.
func conducted(text, unit string) attempt {
	return func(_ *testing.T, d desk) error {
		lot := d.received("water", "w1", "20", days(60)).GetName()
		test := reading(text, "25")
		test.Conductivity.UnitCode = unit
		of(d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})).done(d.t)
		_, err := d.clear(lot)
		return err
	}
}

func waterFaults() map[string]attempt {
	return map[string]attempt{
		"B4 5 uS/cm":                     conducted("5", "uS/cm"),
		"B4 0.5 mS/m, the same":          conducted("0.5", "mS/m"),
		"B4 5 mS/m, ten times as much":   conducted("5", "mS/m"),
		"B4 50 uS/cm, ten times as much": conducted("50", "uS/cm"),
		"B1 water of 77 F as Celsius":    tempered("77"),
		"B3 water at absolute zero":      tempered("-273.15"),
		"B18 a second reading of a lot":  testedTwice,
	}
}

// tempered tests water at a temperature in degrees Celsius.
func tempered(text string) attempt {
	return func(_ *testing.T, d desk) error {
		lot := d.received("water", "w1", "20", days(60)).GetName()
		_, err := d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: reading("4.9", text)})
		return err
	}
}

// testedTwice reads a lot again with another value: both tests stay to be seen, and the newer one decides.
func testedTwice(t *testing.T, d desk) error {
	t.Helper()
	lot := d.received("water", "w1", "20", days(60)).GetName()
	of(d.tested(lot, "4.9")).done(t)
	d.clock.Advance(time.Minute)
	of(d.tested(lot, "9")).done(t)
	both := of(d.ListWaterTests(d.clerk(), &consumablesv1.ListWaterTestsRequest{Parent: lot})).done(t).GetWaterTests()
	if len(both) != 2 || both[0].GetConductivity().GetText() == both[1].GetConductivity().GetText() {
		t.Errorf("to be seen: %v", both)
	}
	_, err := d.clear(lot)
	return err
}

func ratioFaults() map[string]attempt {
	item := func(water, cleaner int32) attempt {
		return func(_ *testing.T, d desk) error {
			_, err := d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{Item: &consumablesv1.Item{
				DisplayName: "Cleaner", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", ApprovedMixRatios: []*consumablesv1.MixRatio{{WaterParts: water, CleanerParts: cleaner}},
			}})
			return err
		}
	}
	mixed := func(water, cleaner int32) attempt {
		return func(_ *testing.T, d desk) error {
			d.ingredients()
			d.kitted(order)
			req := batch(order)
			req.Ratio = &consumablesv1.MixRatio{WaterParts: water, CleanerParts: cleaner}
			_, err := d.blend(req)
			return err
		}
	}
	return map[string]attempt{
		"B7 an item with 0:0":       item(0, 0),
		"B7 an item with -1:3":      item(-1, 3),
		"B7 an item with 101 %":     item(-1, 101),
		"B7 a mix at 0:0":           mixed(0, 0),
		"B7 a mix at -1:3":          mixed(-1, 3),
		"B7 a mix not approved 5:1": mixed(5, 1),
		"B7 a recipe with -1 parts": recipeOf(-1),
		"B7 a recipe at 1:3":        recipeOf(3),
		"B7 1/3 for a measure": func(_ *testing.T, d desk) error {
			d.ingredients()
			d.kitted(order)
			req := batch(order)
			req.Parts[0].Quantity.Value = "1/3"
			_, err := d.blend(req)
			return err
		},
	}
}

// recipeOf signs a recipe of one part of water to so many of cleaner.
func recipeOf(cleaner int32) attempt {
	return func(_ *testing.T, d desk) error {
		recipe := washRecipe()
		recipe.Ingredients[0].Parts, recipe.Ingredients[1].Parts = 1, cleaner
		_, err := d.signedRecipe(recipe)
		return err
	}
}

func amountFaults() map[string]attempt {
	received := func(item, value, unit string) attempt {
		return func(_ *testing.T, d desk) error {
			_, err := d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{
				LotId: "l1", Location: shelf, Quantity: &commonv1.Quantity{Value: value, UnitCode: unit}, Lot: d.draftOf(item, "l1", days(200)),
			})
			return err
		}
	}
	return map[string]attempt{
		"B9 -5 L":                        received("cleaner", "-5", "L"),
		"B9 0 L":                         received("cleaner", "0", "L"),
		"B9 finer than the ledger":       received("cleaner", "0.0000004", "L"),
		"B9 half a piece":                received("o-ring", "0.5", "{each}"),
		"B9 a piece in more than pieces": received("o-ring", "1000.001", "{each}"),
		"B9 0.1 L and 0.2 L": func(t *testing.T, d desk) error {
			lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
			d.issued("cleaner", lot, order, "0.1")
			d.issued("cleaner", lot, order, "0.2")
			if got := d.at(lot, order); got != "0.3" {
				t.Errorf("0.1 and 0.2 make %s", got)
			}
			return nil
		},
	}
}

// cage adds a place for what may not be used.
func (d desk) cage() {
	d.t.Helper()
	of(d.CreateLocation(d.clerk(), &consumablesv1.CreateLocationRequest{
		LocationId: "cage", Location: &consumablesv1.Location{DisplayName: "Cage", Kind: consumablesv1.Location_HOLD_AREA, TimeZone: "UTC"},
	})).done(d.t)
}

// comesBack issues two litres, lets something happen, and brings one back to a place.
func comesBack(place string, contaminated bool, between func(d desk, lot string)) attempt {
	return func(_ *testing.T, d desk) error {
		d.cage()
		lot := d.stocked("cleaner", "l1", "5", days(30)).GetName()
		out := d.issued("cleaner", lot, order, "2")
		if between != nil {
			between(d, lot)
		}
		_, err := d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: out.GetName(), Quantity: litres("1"), Location: place, Contaminated: contaminated})
		return err
	}
}

func returnFaults() map[string]attempt {
	expired := func(d desk, _ string) { d.clock.Advance(31 * 24 * time.Hour) }
	recalled := func(d desk, lot string) {
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(d.t)
	}
	const cage = "locations/cage"
	return map[string]attempt{
		"B11 more than issued": func(_ *testing.T, d desk) error {
			out := d.issued("cleaner", d.stocked("cleaner", "l1", "5", days(200)).GetName(), order, "2")
			_, err := d.back(out.GetName(), "2.000001", "")
			return err
		},
		"B11 another lot": func(_ *testing.T, d desk) error {
			other := d.stocked("cleaner", "l2", "5", days(300)).GetName()
			out := d.issued("cleaner", d.stocked("cleaner", "l1", "5", days(200)).GetName(), order, "2")
			_, err := d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: out.GetName(), Quantity: litres("1"), Location: shelf, Lot: other})
			return err
		},
		"B11 against what issued nothing": func(_ *testing.T, d desk) error {
			d.stocked("cleaner", "l1", "5", days(200))
			receipts := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "RECEIVED"`})).done(d.t).GetStockMovements()
			_, err := d.back(receipts[0].GetName(), "1", "")
			return err
		},
		"B11 expired, to a shelf":          comesBack(shelf, false, expired),
		"B11 expired, to a hold area":      comesBack(cage, false, expired),
		"B11 recalled, to a shelf":         comesBack(shelf, false, recalled),
		"B11 contaminated, to a shelf":     comesBack(shelf, true, nil),
		"B11 contaminated, to a hold area": spoilt,
	}
}

// spoilt brings a contaminated part back: it is held as a lot of its own, and what was left stays usable.
func spoilt(t *testing.T, d desk) error {
	t.Helper()
	if err := comesBack("locations/cage", true, nil)(t, d); err != nil {
		return err
	}
	held := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `state = "HELD"`})).done(t).GetLots()
	if len(held) != 1 || held[0].GetOnHand().GetValue() != "1" || held[0].GetParents()[0].GetLot() != "lots/l1" || !strings.HasPrefix(held[0].GetHoldReason(), "Contaminated: ") {
		t.Errorf("held %v", held)
	}
	if got := d.lot("lots/l1"); got.GetState() != consumablesv1.Lot_USABLE || got.GetOnHand().GetValue() != "3" || d.at("lots/l1", order) != "1" {
		t.Errorf("the rest %v", got)
	}
	d.balanced()
	return nil
}

// zoned receives and clears a lot that is good today in a place's own days, and has it wanted now.
func (d desk) zoned(zone string) (lot, order string) {
	d.t.Helper()
	id := strings.ToLower(zone[strings.Index(zone, "/")+1:])
	id = strings.ReplaceAll(id, "_", "-")
	place := of(d.CreateLocation(d.clerk(), &consumablesv1.CreateLocationRequest{
		LocationId: id, Location: &consumablesv1.Location{DisplayName: zone, Kind: consumablesv1.Location_BIN, TimeZone: zone},
	})).done(d.t).GetName()
	got := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: id, Location: place, Quantity: litres("5"), Lot: d.draftOf("cleaner", id, days(0))})).done(d.t)
	of(d.clear(got.GetName())).done(d.t)
	order = "workOrders/" + id
	d.knownOn(order, "engines/e1")
	of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
		WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(d.clock.Now()),
	})).done(d.t)
	return got.GetName(), order
}

// today issues what is good until the end of 25 November four hours after eight o'clock of that day, UTC.
func today(zone string) attempt {
	return func(_ *testing.T, d desk) error {
		lot, wanted := d.zoned(zone)
		d.clock.Advance(4 * time.Hour)
		_, err := d.issue(lot, wanted, "1")
		return err
	}
}

func lifeFaults() map[string]attempt {
	promised := func(between func(d desk)) attempt {
		return func(_ *testing.T, d desk) error {
			lot := d.stocked("cleaner", "l1", "5", days(3)).GetName()
			d.needs(order, "cleaner", "1")
			between(d)
			_, err := d.issue(lot, order, "1")
			return err
		}
	}
	return map[string]attempt{
		"B12 held between promise and issue":    promised(func(d desk) { d.hold("lots/l1") }),
		"B12 expired between promise and issue": promised(func(d desk) { d.clock.Advance(4 * 24 * time.Hour) }),
		"B12 today ended east of UTC":           today("Pacific/Auckland"),
		"B12 today goes on west of UTC":         today("America/Los_Angeles"),

		"B12 filled over before its lot was recalled": filledLate(shelf, 1),
		"B12 filled over after its lot was recalled":  filledLate(shelf, 3),
		"B12 filled over before it stood there":       filledLate("locations/back", 1),
	}
}

// filledLate takes a lot to a place, recalls it, and books that two litres were filled over so many hours after the morning.
func filledLate(place string, hour float64) attempt {
	return func(_ *testing.T, d desk) error {
		lot := d.stocked("cleaner", "l1", "5", days(30)).GetName()
		d.clock.Advance(2 * time.Hour)
		if place != shelf {
			of(d.move(lot, "5", shelf, place)).done(d.t)
		}
		d.recall(lot)
		d.clock.Advance(2 * time.Hour)
		_, err := d.decantedAt(lot, "2", "", hours(hour))
		return err
	}
}

// imported tries a table of opening stock and checks that one with a fault left nothing.
func imported(content string) attempt {
	return func(t *testing.T, d desk) error {
		resp, err := d.ImportStock(d.clerk(), &consumablesv1.ImportStockRequest{Rows: consumablesv1.ImportStockRequest_LOTS, Content: []byte(content)})
		if err != nil || len(resp.GetFaults()) == 0 {
			return err
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(t).GetLots(); len(lots) != 0 || resp.GetImportedCount() != 0 {
			t.Errorf("left behind: %v", lots)
		}
		f := resp.GetFaults()[0]
		return fault.Invalid("content", f.GetReason(), "Line %d: %s", f.GetLine(), f.GetExplanation())
	}
}

func importFaults() map[string]attempt {
	const head = "item,quantity,unit,location,manufacturer_lot,use_by_date\n"
	return map[string]attempt{
		"B19 a formula in a cell":           formula,
		"B19 a million rows":                imported("item\n" + strings.Repeat("x\n", 1_000_000)),
		"B19 mixed line ends":               imported(strings.TrimSuffix(head, "\n") + "\r\ncleaner,5,L,shelf,M-1,2027-06-30\ncleaner,5,L,shelf,M-2,2027-06-30\r\n"),
		"B19 semicolons, decimal commas":    imported(strings.ReplaceAll(head, ",", ";") + "cleaner;2,5;L;shelf;M-1;2027-06-30\n"),
		"B19 1,234 in quotes":               imported(head + "cleaner,5,L,shelf,M-1,2027-06-30\ncleaner,\"1,234\",L,shelf,M-2,2027-06-30\n"),
		"B19 a serial number for a date":    imported(head + "cleaner,5,L,shelf,M-1,2027-06-30\ncleaner,5,L,shelf,M-2,46568\n"),
		"B19 a good row and one of no item": imported(head + "cleaner,5,L,shelf,M-1,2027-06-30\nnone,5,L,shelf,M-2,2027-06-30\n"),
	}
}

// formula takes texts that a spreadsheet would run, as text, and writes them so that it does not.
func formula(t *testing.T, d desk) error {
	t.Helper()
	err := imported("item,quantity,unit,location,manufacturer_lot,use_by_date\n"+
		`cleaner,5,L,shelf,"=HYPERLINK(""http://example.com"")",2027-06-30`+"\ncleaner,5,L,shelf,@SUM(1),2027-06-30\n")(t, d)
	if err != nil {
		return err
	}
	out := d.export(&consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_STOCK, Format: consumablesv1.ExportStockRequest_CSV}).GetContent()
	rows := of(csv.NewReader(strings.NewReader(string(out))).ReadAll()).done(t)
	found := 0
	for _, row := range rows {
		for _, cell := range row {
			if strings.Contains(cell, "HYPERLINK") || strings.Contains(cell, "@SUM") {
				found++
			}
			if strings.HasPrefix(cell, "=") || strings.HasPrefix(cell, "@") {
				t.Errorf("a spreadsheet runs %q", cell)
			}
		}
	}
	if found != 2 {
		t.Errorf("%d of 2 texts are in %s", found, out)
	}
	return nil
}

func repeatFaults() map[string]attempt {
	keyed := func(key string) attempt {
		return func(_ *testing.T, d desk) error {
			lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
			d.needs(order, "cleaner", "1")
			_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key})
			return err
		}
	}
	return map[string]attempt{
		"D1 one key fifty times at once":   fifty,
		"D3 one key for two methods":       twoMethods,
		"D3 a key of ten kilobytes":        keyed(strings.Repeat("k", 10_000)),
		"D3 a key with a line break":       keyed("one\r\ntwo"),
		"D3 one key with another request":  otherRequest,
		"D3 an empty key":                  emptyKey,
		"D4 the answer was lost for a day": lostAnswer,
		"D4 a repeat after 91 days":        lateRepeat,
		"D3 one key by two callers":        twoCallers,
		"D8 used before it was handed out": usedEarly,
		"D5 an order told a hundred times": toldOften,
	}
}

const key = "6d0a3c52-2f64-4d58-9d7c-0f2f3a9e1b11"

// fifty sends one request fifty times at once: one effect, fifty equal answers.
func fifty(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "1")
	answers := make(chan result[*consumablesv1.StockMovement], 50)
	for range cap(answers) {
		go func() {
			answers <- of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("0.1"), RequestId: key}))
		}()
	}
	var first *consumablesv1.StockMovement
	for range cap(answers) {
		got := (<-answers).done(t)
		if first == nil {
			first = got
		}
		if !proto.Equal(first, got) {
			t.Errorf("%v and %v", first, got)
		}
	}
	if d.at(lot, order) != "0.1" {
		t.Errorf("%s went out", d.at(lot, order))
	}
	return nil
}

// twoMethods uses one key for an issue and for its return.
func twoMethods(_ *testing.T, d desk) error {
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "1")
	out := of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key})).done(d.t)
	_, err := d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: out.GetName(), Quantity: litres("1"), Location: shelf, RequestId: key})
	return err
}

func otherRequest(_ *testing.T, d desk) error {
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "2")
	of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key})).done(d.t)
	_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("2"), RequestId: key})
	return err
}

// lostAnswer repeats a request 25 hours later, as a client does whose answer never came.
func lostAnswer(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "1")
	req := &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key}
	first := of(d.IssueStock(d.clerk(), req)).done(t)
	d.clock.Advance(25 * time.Hour)
	second, err := d.IssueStock(d.clerk(), req)
	if !proto.Equal(first, second) || d.at(lot, order) != "1" {
		t.Errorf("first %v, then %v", first, second)
	}
	return err
}

// lateRepeat repeats a request when its answer is no longer kept: nothing goes out a second time.
func lateRepeat(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "2")
	req := &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key}
	of(d.IssueStock(d.clerk(), req)).done(t)
	d.clock.Advance(idempotency.Keep + 24*time.Hour)
	of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return idempotency.Sweep(ctx, tx, d.clock.Now())
	})).done(t)
	_, err := d.IssueStock(d.clerk(), req)
	if d.at(lot, order) != "1" {
		t.Errorf("%s went out", d.at(lot, order))
	}
	return err
}

// twoCallers use one key for one request each: a caller's keys are its own, so that both take effect.
func twoCallers(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.needs(order, "cleaner", "2")
	req := &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), RequestId: key}
	first := of(d.IssueStock(d.clerk(), req)).done(t)
	second, err := d.IssueStock(d.as("dora", "stores"), req)
	if first.GetName() == second.GetName() || d.at(lot, order) != "2" {
		t.Errorf("first %v, then %v", first, second)
	}
	return err
}

// heard lets a fact of another service take effect, as the consumer does, and returns why it can't.
func (d desk) heard(typ string, fact proto.Message) error { return d.heardAt(typ, d.clock.Now(), fact) }

// heardAt is heard of a fact that was told at a time.
func (d desk) heardAt(typ string, told time.Time, fact proto.Message) error {
	d.t.Helper()
	if job, ok := fact.(*workordersv1.WorkOrderChanged); ok && typ == "coldsection.workorder.scheduled.v1" {
		d.jobs[job.GetWorkOrder()] = true
	}
	data := of(protojson.Marshal(fact)).done(d.t)
	handle := events.Consumer(&app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}).Handle
	effect, err := handle(d.t.Context(), eventbus.Message{Event: outbox.Event{ID: ids.System().New(), Type: typ, Time: told, Data: data}})
	if err != nil {
		return err
	}
	return d.db.Update(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return effect(ctx, tx) })
}

// usedEarly hears that a step used what was not handed out: nothing is booked, so that the fact is kept until it can be.
func usedEarly(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	fact := &workordersv1.StepCompleted{
		WorkOrder: order, Engine: "engines/e1", CompleteTime: timestamppb.New(d.clock.Now()),
		Materials: []*workordersv1.MaterialUse{{Lot: lot, Quantity: litres("1")}},
	}
	early := d.heard("coldsection.workorder.step.completed.v1", fact)
	if d.at(lot, "engines/e1") != "0" {
		t.Error("booked before it was handed out")
	}
	d.issued("cleaner", lot, order, "1")
	if err := d.heard("coldsection.workorder.step.completed.v1", fact); err != nil || d.at(lot, "engines/e1") != "1" {
		t.Errorf("once it was handed out: %v, used %s", err, d.at(lot, "engines/e1"))
	}
	return early
}

// toldOften hears of one scheduled order a hundred times, each time as if it were new: it claims once.
func toldOften(t *testing.T, d desk) error {
	t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	for range 100 {
		if err := d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
			WorkOrder: order, PlanStartTime: timestamppb.New(days(1)), Demands: []*workordersv1.MaterialDemand{{Item: "items/cleaner", Quantity: litres("2")}},
		}); err != nil {
			return err
		}
	}
	if got := d.lot(lot).GetReserved().GetValue(); got != "2" {
		t.Errorf("%s is claimed", got)
	}
	return nil
}

// emptyKey sends a key that holds nothing, beside the request.
func emptyKey(_ *testing.T, d desk) error {
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	_, err := d.HoldLot(metadata.AppendToOutgoingContext(d.clerk(), idempotency.MetadataKey, ""), &consumablesv1.HoldLotRequest{Name: lot, Reason: "torn label"})
	return err
}
