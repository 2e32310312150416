package server_test

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
)

// canned books in cans of cleaner, so much in each, and clears them.
func (d desk) canned(id, amount, can string, useBy time.Time) string {
	d.t.Helper()
	lot := d.draftOf("cleaner", id, useBy)
	lot.PackQuantity = litres(can)
	of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: id, Location: shelf, Quantity: litres(amount), Lot: lot})).done(d.t)
	return of(d.clear("lots/" + id)).done(d.t).GetName()
}

// opened checks that a lot was opened, and its last usable day; never when there is none.
func (d desk) opened(lot string, at time.Time, until string) {
	d.t.Helper()
	got := d.lot(lot)
	if at.IsZero() != (got.GetOpenTime() == nil) || !at.IsZero() && !got.GetOpenTime().AsTime().Equal(at) || got.GetExpireTime().AsTime().Format(time.DateOnly) != until {
		d.t.Errorf("%s: opened %v, usable until %v (%s); want %v and %s", lot, got.GetOpenTime().AsTime(), got.GetExpireTime().AsTime(), got.GetLifeRule(), at, until)
	}
}

var june = time.Date(2027, 6, 30, 0, 0, 0, 0, time.UTC)

// L03 (rule of the stores handbook): opened on 2026-11-25 with 90 days of life once open, usable until 2027-02-23. Only the pack
// that was opened is; the others of its lot keep until their use-by.
func TestOpeningAPackLeavesTheOthersSealed(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "5", june)
		d.needs(order, "cleaner", "12")
		moved := of(d.issue(lot, order, "7")).done(t)
		pack := d.lot(moved.GetLot())
		if moved.GetQuantity().GetValue() != "2" || pack.GetSourceLot() != lot || pack.GetManufacturerLot() != "M-l1" || pack.GetShortCode() == d.lot(lot).GetShortCode() ||
			pack.GetReceived().GetValue() != "5" || len(pack.GetHazards()) != 1 || moved.GetRemaining().GetValue() != "3" {
			t.Errorf("movement %v of %v", moved, pack)
		}
		whole := of(d.GetStockMovement(d.clerk(), &consumablesv1.GetStockMovementRequest{Name: moved.GetSealedMovement()})).done(t)
		if whole.GetLot() != lot || whole.GetQuantity().GetValue() != "5" || whole.GetWorkOrder() != order {
			t.Errorf("sealed %v", whole)
		}
		d.opened(lot, time.Time{}, "2027-06-30")
		d.opened(pack.GetName(), morning, "2027-02-23")
		for place, want := range map[string]string{shelf: "10", order: "5"} {
			if got := d.at(lot, place); got != want {
				t.Errorf("%s sealed at %s, want %s", got, place, want)
			}
		}
		if d.at(pack.GetName(), shelf) != "3" || d.at(pack.GetName(), order) != "2" || d.facts("coldsection.stock.opened.v1") != 1 {
			t.Errorf("the opened pack: %v", d.lot(pack.GetName()).GetBalances())
		}
		_, err := d.issue(lot, order, "1")
		refused(t, "another pack beside the opened one", err, "LOT_NOT_FIRST_TO_EXPIRE")
		first := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "4", QuantityUnitCode: "L"})).done(t).GetSuggestions()
		if len(first) != 2 || first[0].GetLot() != pack.GetName() || first[0].GetQuantity().GetValue() != "3" {
			t.Errorf("advice %v", first)
		}
		of(d.issue(pack.GetName(), order, "3")).done(t)
		of(d.issue(lot, order, "1")).done(t)
		d.opened(lot, time.Time{}, "2027-06-30")
		d.balanced()
	})
}

// Where a pack has no life of its own once open, the opened one still goes first on the tie, unless a reason is given.
func TestAnOpenedPackGoesFirstOnATie(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) { i.OpenedLifeDays = 0 })).done(t)
		lot := d.canned("l1", "20", "5", june)
		d.needs(order, "cleaner", "6")
		pack := of(d.issue(lot, order, "1")).done(t).GetLot()
		_, err := d.issue(lot, order, "1")
		refused(t, "another one", err, "LOT_NOT_FIRST_TO_EXPIRE")
		got := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "1", QuantityUnitCode: "L"})).done(t)
		if got.GetSuggestions()[0].GetLot() != pack {
			t.Errorf("advice %v", got)
		}
		second := of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("1"), OverrideReason: "the other one leaks"})).done(t)
		if second.GetLot() == pack || second.GetLot() == lot {
			t.Errorf("taken out of %s", second.GetLot())
		}
	})
}

// Sealed packs that a job has are opened one by one as it uses them; what comes back sealed is as good as before.
func TestAJobOpensItsPacks(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "10", "2", june)
		d.needs(order, "cleaner", "6")
		whole := of(d.issue(lot, order, "6")).done(t)
		d.opened(lot, time.Time{}, "2027-06-30")
		d.clock.Advance(time.Hour)
		used := of(d.use(lot, order, "engines/e1", "0.4")).done(t)
		again := of(d.use(lot, order, "engines/e1", "0.5")).done(t) // out of the pack that is open
		if used.GetLot() == lot || again.GetLot() != used.GetLot() {
			t.Errorf("used out of %s, then %s", used.GetLot(), again.GetLot())
		}
		d.opened(lot, time.Time{}, "2027-06-30")
		d.opened(used.GetLot(), morning.Add(time.Hour), "2027-02-23")
		if got := of(d.use(lot, order, "engines/e1", "2")).done(t); got.GetLot() != lot { // a whole pack is used up, and none is left open
			t.Errorf("a whole pack was used out of %s", got.GetLot())
		}
		rest := of(d.back(whole.GetName(), "1.1", "the rest")).done(t)
		if sealed := of(d.back(whole.GetName(), "2", "not needed")).done(t); rest.GetLot() != used.GetLot() || sealed.GetLot() != lot {
			t.Errorf("back came %s and %s", rest.GetLot(), sealed.GetLot())
		}
		_, err := d.back(whole.GetName(), "3", "")
		refused(t, "more than is out", err, "RETURN_EXCEEDS_ISSUE")
		if d.at(lot, shelf) != "6" || d.at(used.GetLot(), shelf) != "1.1" || d.at(lot, order) != "0" || d.at(used.GetLot(), order) != "0" {
			t.Errorf("%v and %v", d.lot(lot).GetBalances(), d.lot(used.GetLot()).GetBalances())
		}
		d.balanced()
	})
}

// What is no whole pack comes back opened, and as of when it went out, which is the earliest that it can have been opened.
func TestAPartThatComesBackWasOpened(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "10", "2", june)
		d.needs(order, "cleaner", "4")
		whole := of(d.issue(lot, order, "4")).done(t)
		d.clock.Advance(48 * time.Hour)
		back := of(d.back(whole.GetName(), "1.5", "half used")).done(t)
		d.opened(back.GetLot(), morning, "2027-02-23")
		d.opened(lot, time.Time{}, "2027-06-30")
		if d.at(back.GetLot(), order) != "0.5" || d.at(lot, order) != "2" || d.at(lot, shelf) != "6" {
			t.Errorf("%v and %v", d.lot(lot).GetBalances(), d.lot(back.GetLot()).GetBalances())
		}
	})
}

// A recall of the delivery reaches the pack that was opened of it, the mix and the engine; its trace goes back to the receipt.
func TestARecallReachesOpenedPacks(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "5", june)
		water := d.stocked("water", "w1", "20", days(60)).GetName()
		d.needs(order, "cleaner", "1")
		d.needs(order, "water", "6")
		pack := of(d.issue(lot, order, "1")).done(t).GetLot()
		of(d.issue(water, order, "6")).done(t)
		mix := of(d.BlendLots(d.clerk(), &consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Output: litres("7"), Ratio: &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1},
			Parts: []*consumablesv1.BlendPart{{Lot: water, Quantity: litres("6")}, {Lot: lot, Quantity: litres("1")}},
		})).done(t)
		if got := mix.GetParents()[1].GetLot(); got != pack {
			t.Errorf("mixed out of %s", got)
		}
		of(d.use(mix.GetName(), order, "engines/e1", "7")).done(t)
		forward := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, time.Time{})
		if len(forward.GetNodes()) != 3 || len(forward.GetEngines()) != 1 || forward.GetTotal().GetReceived().GetValue() != "20" || forward.GetTotal().GetUsed().GetValue() != "1" ||
			forward.GetTotal().GetOnHand().GetValue() != "19" {
			t.Errorf("forwards %v", forward)
		}
		back := d.trace(mix.GetName(), consumablesv1.TraceLotRequest_BACKWARD, time.Time{})
		if len(back.GetNodes()) != 4 || len(back.GetReceipts()) != 2 {
			t.Errorf("backwards %v", back)
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(t)
		for _, name := range []string{lot, pack} {
			if got := d.lot(name).GetState(); got != consumablesv1.Lot_RECALLED {
				t.Errorf("%s is %s", name, got)
			}
		}
	})
}

// A pack that is opened for one order takes what it holds out of reach of the claims on sealed packs: they move onto it where it
// keeps until they are needed, and else it stays sealed.
func TestClaimsFollowThePack(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "10", "5", june)
		d.needs(order, "cleaner", "1")
		d.needs("workOrders/w2", "cleaner", "8")
		pack := of(d.issue(lot, order, "1")).done(t).GetLot()
		claims := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{Filter: `work_order = "workOrders/w2" AND state = "CLAIMED"`})).done(t).GetReservations()
		sums := map[string]string{}
		for _, c := range claims {
			sums[c.GetLot()] = c.GetQuantity().GetValue()
		}
		if len(claims) != 2 || sums[lot] != "5" || sums[pack] != "3" || d.lot(lot).GetReserved().GetValue() != "5" || d.lot(pack).GetReserved().GetValue() != "3" {
			t.Errorf("claims %v", claims)
		}
		of(d.issue(pack, "workOrders/w2", "3")).done(t)
		of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: "workOrders/w2", Quantity: litres("5"), OverrideReason: "a full can"})).done(t)

		d.canned("l2", "10", "5", june)
		d.known("workOrders/late")
		of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: "workOrders/late", Item: "items/cleaner", Quantity: litres("8"), NeedTime: timestamppb.New(days(150)),
		})).done(t)
		d.needs("workOrders/w4", "cleaner", "1")
		_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: "lots/l2", WorkOrder: "workOrders/w4", Quantity: litres("1"), OverrideReason: "a new can is wanted"})
		refused(t, "promised for when it keeps no longer", err, "PACK_PROMISED")
		if got := d.lot("lots/l2"); d.at("lots/l2", shelf) != "10" || got.GetReserved().GetValue() != "8" {
			t.Errorf("left behind: %v", got)
		}
	})
}

// An entry does not close a seal; what is no pack is no delivery of packs, and not sealed.
func TestBadPacksAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "5", june)
		d.needs(order, "cleaner", "9")
		moved := of(d.issue(lot, order, "1")).done(t)
		opening := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "OPENED"`})).done(t).GetStockMovements()
		_, err := d.reverse(opening[0].GetName())
		refused(t, "the opening", err, "OPENING_STAYS")
		of(d.reverse(moved.GetName())).done(t)
		d.opened(moved.GetLot(), morning, "2027-02-23")
		if d.at(moved.GetLot(), shelf) != "5" || d.at(lot, shelf) != "15" {
			t.Errorf("%v and %v", d.lot(lot).GetBalances(), d.lot(moved.GetLot()).GetBalances())
		}
		_, err = d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("3"), SealedContainers: true, OverrideReason: "sealed"})
		refused(t, "3 L of sealed cans of 5", err, "PACK_NOT_WHOLE")
		wrong := d.draftOf("cleaner", "l9", june)
		wrong.PackQuantity = litres("5")
		_, err = d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("12"), Lot: wrong})
		refused(t, "12 L in cans of 5", err, "PACK_NOT_WHOLE")
		wrong.PackQuantity = litres("0")
		_, err = d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("10"), Lot: wrong})
		refused(t, "cans of nothing", err, "QUANTITY_NOT_POSITIVE")
		d.balanced()
	})
}

// The pack has a label of its own; who scans the lot's label is told that a pack of it is open.
func TestAnOpenedPackHasItsOwnLabel(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "5", june)
		d.needs(order, "cleaner", "9")
		pack := d.lot(of(d.issue(lot, order, "1")).done(t).GetLot())
		lines := strings.Join(d.label(pack.GetName()).GetLines(), "\n")
		if !strings.Contains(lines, "Opened 2026-11-25") || !strings.Contains(lines, "Opened pack of "+d.lot(lot).GetShortCode()) || !strings.Contains(lines, "2027-02-23") {
			t.Errorf("label of the pack:\n%s", lines)
		}
		if lines := strings.Join(d.label(lot).GetLines(), "\n"); !strings.Contains(lines, "Opened: ____") {
			t.Errorf("label of the sealed packs:\n%s", lines)
		}
		if got := d.scan(d.lot(lot).GetShortCode(), ""); warnings(got) != "PACK_OPENED" || !strings.Contains(got.GetWarnings()[0].GetExplanation(), pack.GetShortCode()) {
			t.Errorf("the lot scanned: %v", got.GetWarnings())
		}
		if got := d.scan(pack.GetShortCode(), order); warnings(got) != "" || got.GetLot().GetName() != pack.GetName() || action(got, consumablesv1.ScanAction_ISSUE) != "allowed" {
			t.Errorf("the pack scanned: %v", got)
		}
	})
}

// Without packs on record a lot is one container: a part that is handed out opens it (L03), and so does a use.
func TestALotWithoutPacksIsOneContainer(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "20", june).GetName()
		d.needs(order, "cleaner", "9")
		closed := of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("5"), SealedContainers: true})).done(t)
		d.opened(lot, time.Time{}, "2027-06-30")
		d.clock.Advance(time.Hour)
		if got := of(d.issue(lot, order, "0.5")).done(t); got.GetLot() != lot {
			t.Errorf("issued out of %s", got.GetLot())
		}
		d.opened(lot, morning.Add(time.Hour), "2027-02-23")
		of(d.back(closed.GetName(), "5", "not needed")).done(t)
	})
}

// Whatever is issued, used and brought back of the cans of a delivery: all of it stays accounted for, what is on the lot is whole
// cans that keep their use-by, and what is not is in cans that were opened.
func TestPacksStayWholeWhateverHappens(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		random := rand.New(rand.NewPCG(7, 11))
		lot := d.canned("l1", "60", "3", june)
		d.needs(order, "cleaner", "40")
		var issues []*consumablesv1.StockMovement
		done := map[string]int{}
		for range 60 {
			amount, what := strconv.FormatFloat(float64(1+random.IntN(70))/10, 'f', 1, 64), "issue"
			var err error
			switch random.IntN(3) {
			case 0:
				var m *consumablesv1.StockMovement
				if m, err = d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres(amount), OverrideReason: "as it comes"}); err == nil {
					issues = append(issues, m)
				}
			case 1:
				what = "use"
				_, err = d.use(lot, order, "engines/e1", amount)
			default:
				if what = "return"; len(issues) > 0 {
					_, err = d.back(issues[random.IntN(len(issues))].GetName(), amount, "")
				}
			}
			if err == nil {
				done[what]++
			} else if !fault.HasReason(err, "INSUFFICIENT_STOCK") && !fault.HasReason(err, "RETURN_EXCEEDS_ISSUE") {
				t.Fatalf("%s of %s: %v", what, amount, err)
			}
			d.wholeCans(lot, 3)
		}
		if len(done) != 3 || done["issue"] < 5 || done["use"] < 5 || done["return"] < 3 {
			t.Errorf("done %v", done)
		}
		total := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, time.Time{}).GetTotal()
		var sum float64
		for _, q := range []*commonv1.Quantity{total.GetUsed(), total.GetOnHand(), total.GetIssuedUnused()} {
			sum += of(strconv.ParseFloat(q.GetValue(), 64)).done(t)
		}
		if math.Abs(sum-60) > 1e-9 || total.GetReceived().GetValue() != "60" {
			t.Errorf("of 60 L: %v", total)
		}
		d.balanced()
	})
}

// wholeCans checks that what is sealed of a lot is whole cans wherever it is.
func (d desk) wholeCans(lot string, can float64) {
	d.t.Helper()
	got := d.lot(lot)
	if got.GetOpenTime() != nil { // its last cans
		return
	}
	for _, b := range got.GetBalances() {
		amount := of(strconv.ParseFloat(b.GetQuantity().GetValue(), 64)).done(d.t)
		if math.Abs(math.Remainder(amount, can)) > 1e-9 {
			d.t.Fatalf("%g of cans of %g are sealed at %s", amount, can, b.GetLocation())
		}
	}
}

// What moves or is thrown away in stores is whole packs, or what is no full pack any more; a job throws away out of an opened one.
func TestSealedPacksAreNotPartedUnseen(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		cans := d.canned("cans", "20", "5", june)
		move := func(amount string) error {
			_, err := d.MoveStock(d.clerk(), &consumablesv1.MoveStockRequest{Name: cans, Quantity: litres(amount), SourceLocation: shelf, TargetLocation: "locations/back"})
			return err
		}
		throw := func(place, amount string) error {
			_, err := d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: cans, Quantity: litres(amount), Location: place, Reason: "leaks"})
			return err
		}
		refused(t, "a part moves", move("2"), "PACK_NOT_WHOLE")
		refused(t, "a part is thrown away", throw(shelf, "7"), "PACK_NOT_WHOLE")
		of(0, move("5")).done(t)
		of(0, throw(shelf, "5")).done(t)
		d.opened(cans, time.Time{}, "2027-06-30")
		d.needs(order, "cleaner", "5")
		of(d.issue(cans, order, "5")).done(t)
		of(0, throw(order, "1")).done(t)
		if at := d.at(cans, order); at != "0" || d.at(cans, shelf) != "5" || d.at(cans, "locations/back") != "5" {
			t.Errorf("sealed: job %s, shelf %s, back %s", at, d.at(cans, shelf), d.at(cans, "locations/back"))
		}
		d.balanced()
	})
}
