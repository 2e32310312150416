package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// batch is what T08 mixes: half a US gallon at six parts of water to one of cleaner, rounded to a millilitre (M01).
func batch(order string) *consumablesv1.BlendLotsRequest {
	return &consumablesv1.BlendLotsRequest{
		Item: "items/solution", WorkOrder: order, Ratio: &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}, Output: litres("1.893"),
		Parts: []*consumablesv1.BlendPart{{Lot: "lots/cln", Quantity: litres("0.27")}, {Lot: "lots/wtr", Quantity: litres("1.623")}},
	}
}

// kitted hands cleaner and water for one batch out to an order.
func (d desk) kitted(order string) {
	d.t.Helper()
	d.issued("cleaner", "lots/cln", order, "0.27")
	d.issued("water", "lots/wtr", order, "1.623")
}

func (d desk) ingredients() {
	d.t.Helper()
	d.stocked("cleaner", "cln", "3.785", days(200))
	d.stocked("water", "wtr", "20", days(60))
}

func (d desk) blend(req *consumablesv1.BlendLotsRequest) (*consumablesv1.Lot, error) {
	return d.BlendLots(d.as("tina", "technician"), req)
}

func (d desk) use(lot, order, engine, amount string) (*consumablesv1.StockMovement, error) {
	return d.ConsumeStock(d.as("tina", "technician"), &consumablesv1.ConsumeStockRequest{Name: lot, WorkOrder: order, Engine: engine, Quantity: litres(amount)})
}

// T08 and L04 (rules of the stores handbook): inputs and output sum to zero per lot through production; the mix lives as long
// as its pot life, eight hours, because its inputs live longer.
func TestAMixSumsToZeroAndLivesByItsPot(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t)
		if want := morning.Add(8 * time.Hour); !mix.GetExpireTime().AsTime().Equal(want) || mix.GetState() != consumablesv1.Lot_USABLE || len(mix.GetParents()) != 2 {
			t.Errorf("mix %v", mix)
		}
		if d.at(mix.GetName(), order) != "1.893" || d.at("lots/cln", order) != "0" || d.at("lots/wtr", order) != "0" {
			t.Errorf("with the job: mix %s, cleaner %s, water %s", d.at(mix.GetName(), order), d.at("lots/cln", order), d.at("lots/wtr", order))
		}
		d.balanced()
		d.clock.Advance(8*time.Hour + time.Second)
		_, err := d.use(mix.GetName(), order, "engines/e1", "1.893")
		refused(t, "after its pot life", err, "LOT_EXPIRED")
	})
}

// A cleaner that keeps for ever puts no end of its own on the mix.
func TestAMixOfWhatKeepsLivesByItsPot(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("keeping", "cln", "5", time.Time{})
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot.GetName()})).done(t)
		d.stocked("water", "wtr", "20", days(60))
		d.issued("keeping", "lots/cln", order, "0.27")
		d.issued("water", "lots/wtr", order, "1.623")
		mix := of(d.blend(batch(order))).done(t)
		if want := morning.Add(8 * time.Hour); !mix.GetExpireTime().AsTime().Equal(want) {
			t.Errorf("usable until %v (%s)", mix.GetExpireTime().AsTime(), mix.GetLifeRule())
		}
	})
}

// balanced checks that the postings of every lot sum to zero, and that each lot's line of the trace adds up.
func (d desk) balanced() {
	d.t.Helper()
	for _, lot := range of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{})).done(d.t).GetLots() {
		var sum stock.Micro
		of(sum, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT COALESCE(SUM(amount), 0) FROM postings WHERE lot = $1", lot.GetName()).Scan((*int64)(&sum))
		})).done(d.t)
		line := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: lot.GetName()})).done(d.t).GetBalanceLines()[0]
		for _, part := range []*commonv1.Quantity{line.GetUsed(), line.GetDisposed(), line.GetMixed(), line.GetIssuedUnused(), line.GetOnHand(), line.GetDifference()} {
			sum -= micro(d.t, part)
		}
		if sum += micro(d.t, line.GetReceived()); sum != 0 {
			d.t.Errorf("%s is out by %s: %v", lot.GetName(), sum.Text(), line)
		}
	}
}

func micro(t testing.TB, q *commonv1.Quantity) stock.Micro {
	t.Helper()
	value, negative := strings.CutPrefix(q.GetValue(), "-")
	m := of(stock.FromCount(value, q.GetUnitCode(), q.GetUnitCode())).done(t)
	if negative {
		return -m
	}
	return m
}

func TestMixesThatAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.stocked("ready", "rtu", "5", days(200))
		d.stocked("o-ring", "seal", "5", days(200))
		d.kitted(order)
		d.issued("ready", "lots/rtu", order, "0.27")
		for _, c := range []struct {
			what, reason string
			change       func(*consumablesv1.BlendLotsRequest)
		}{
			// M02: 1:6 read as one in six is another ratio, and not the approved one.
			{"five to one", "MIX_RATIO_NOT_APPROVED", func(r *consumablesv1.BlendLotsRequest) { r.Ratio.WaterParts = 5 }},
			{"too strong", "MIX_RATIO_NOT_MET", func(r *consumablesv1.BlendLotsRequest) {
				r.Parts[0].Quantity, r.Output = litres("0.3"), litres("1.92")
			}},
			{"ready to use", "READY_TO_USE_NOT_MIXED", func(r *consumablesv1.BlendLotsRequest) { r.Parts[0].Lot = "lots/rtu" }},
			{"a loss of 5 %", "MIXING_LOSS_IMPLAUSIBLE", func(r *consumablesv1.BlendLotsRequest) { r.Output = litres("1.798") }},
			{"more out than in", "MIXING_LOSS_IMPLAUSIBLE", func(r *consumablesv1.BlendLotsRequest) { r.Output = litres("1.894") }},
			{"more than was issued", "INSUFFICIENT_STOCK", func(r *consumablesv1.BlendLotsRequest) {
				r.Parts[0].Quantity, r.Parts[1].Quantity, r.Output = litres("0.54"), litres("3.24"), litres("3.78")
			}},
			// The cleaner keeps eight hours once mixed; whoever mixes may say less, never more.
			{"for longer than the cleaner keeps", "POT_LIFE_EXCEEDED", func(r *consumablesv1.BlendLotsRequest) { r.PotLifeHours = 9 }},
			{"another order's", "INSUFFICIENT_STOCK", func(r *consumablesv1.BlendLotsRequest) { r.WorkOrder = "workOrders/w2" }},
			{"out of the supplier's stock", "WORK_ORDER_UNKNOWN", func(r *consumablesv1.BlendLotsRequest) { r.WorkOrder = store.Supplier }},
			{"into a cleaner", "ITEM_NOT_A_BLEND", func(r *consumablesv1.BlendLotsRequest) { r.Item = "items/cleaner" }},
			{"seals in litres", "UNIT_MISMATCH", func(r *consumablesv1.BlendLotsRequest) {
				r.Parts[0] = &consumablesv1.BlendPart{Lot: "lots/seal", Quantity: &commonv1.Quantity{Value: "1", UnitCode: "{each}"}}
			}},
		} {
			req, _ := proto.Clone(batch(order)).(*consumablesv1.BlendLotsRequest)
			c.change(req)
			_, err := d.blend(req)
			refused(t, c.what, err, c.reason)
			measured := c.reason == "MIX_RATIO_NOT_MET" || c.reason == "MIXING_LOSS_IMPLAUSIBLE"
			if measured && !strings.Contains(err.Error(), "1.893 L ") && !strings.Contains(err.Error(), "1.623 L ") {
				t.Errorf("%s: an amount without its unit in %v", c.what, err)
			}
		}
		if lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `item = "items/solution"`})).done(t).GetLots(); len(lots) != 0 {
			t.Errorf("mixed: %v", lots)
		}
		of(d.HoldLot(d.as("tina", "technician"), &consumablesv1.HoldLotRequest{Name: "lots/wtr", Reason: "smells"})).done(t)
		_, err := d.blend(batch(order))
		refused(t, "water put aside", err, "LOT_HELD")
	})
}

func TestUsesThatAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.issued("cleaner", "lots/cln", order, "0.27")
		d.knownOn("workOrders/w2", "engines/e1")
		for _, c := range []struct{ what, order, engine, amount, reason string }{
			{"more than the job has", order, "engines/e1", "0.28", "INSUFFICIENT_STOCK"},
			{"another job", "workOrders/w2", "engines/e1", "0.27", "INSUFFICIENT_STOCK"},
			{"out of the supplier's stock", store.Supplier, "engines/e1", "0.27", "WORK_ORDER_UNKNOWN"},
			{"on no engine", order, shelf, "0.27", "ENGINE_UNKNOWN"},
		} {
			_, err := d.use("lots/cln", c.order, c.engine, c.amount)
			refused(t, c.what, err, c.reason)
		}
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: "lots/cln", Reason: "maker's letter"})).done(t)
		_, err := d.use("lots/cln", order, "engines/e1", "0.27")
		refused(t, "recalled", err, "LOT_RECALLED")
		d.balanced()
	})
}

// T13 and T14 (rules of the stores handbook): a recall of the cleaner goes through the mixes to both engines and blocks what
// is left; backwards, the engine's mix leads to both of its lots and their receipts.
func TestARecallGoesThroughMixesToEngines(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		mixes := map[string]string{}
		for engine, order := range map[string]string{"engines/e1": "workOrders/w1", "engines/e2": "workOrders/w2"} {
			d.kitted(order)
			mixes[engine] = of(d.blend(batch(order))).done(t).GetName()
			of(d.use(mixes[engine], order, engine, "1.5")).done(t)
		}
		d.issued("cleaner", "lots/cln", "workOrders/w3", "0.1")
		d.balanced()
		forward := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: "lots/cln", Direction: consumablesv1.TraceLotRequest_FORWARD})).done(t)
		var engines, jobs []string
		for _, use := range forward.GetUses() {
			if use.GetEngine() == "" {
				jobs = append(jobs, use.GetWorkOrder()+" "+use.GetQuantity().GetValue())
				continue
			}
			engines = append(engines, use.GetEngine())
		}
		slices.Sort(engines)
		slices.Sort(jobs)
		if !slices.Equal(engines, []string{"engines/e1", "engines/e2"}) || len(forward.GetNodes()) != 3 || len(forward.GetEdges()) != 2 ||
			!slices.Equal(jobs, []string{"workOrders/w1 0.393", "workOrders/w2 0.393", "workOrders/w3 0.1"}) {
			t.Errorf("engines %v, jobs %v, nodes %v", engines, jobs, forward.GetNodes())
		}
		backward := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: mixes["engines/e1"], Direction: consumablesv1.TraceLotRequest_BACKWARD})).done(t)
		var lots []string
		for _, n := range backward.GetNodes() {
			lots = append(lots, n.GetLot())
		}
		if slices.Sort(lots[1:]); !slices.Equal(lots, []string{mixes["engines/e1"], "lots/cln", "lots/wtr"}) || len(backward.GetReceipts()) != 2 {
			t.Errorf("backwards: %v, receipts %v", lots, backward.GetReceipts())
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: "lots/cln", Reason: "maker's letter"})).done(t)
		for lot, want := range map[string]consumablesv1.Lot_State{
			"lots/cln": consumablesv1.Lot_RECALLED, "lots/wtr": consumablesv1.Lot_USABLE,
			mixes["engines/e1"]: consumablesv1.Lot_RECALLED, mixes["engines/e2"]: consumablesv1.Lot_RECALLED,
		} {
			if got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t).GetState(); got != want {
				t.Errorf("%s is %s, want %s", lot, got, want)
			}
		}
		fact := d.recallFact("lots/cln")
		if !slices.Equal(fact.GetReachedEngines(), []string{"engines/e1", "engines/e2"}) ||
			!slices.Equal(fact.GetReachedWorkOrders(), []string{"workOrders/w1", "workOrders/w2", "workOrders/w3"}) {
			t.Errorf("the fact tells of %v and %v", fact.GetReachedEngines(), fact.GetReachedWorkOrders())
		}
		_, err := d.RecallLot(d.as("tina", "technician"), &consumablesv1.RecallLotRequest{Name: "lots/wtr", Reason: "smells"})
		refused(t, "a technician recalls", err, "ROLE_MISSING")
	})
}

// What is left of a mix comes back against the movement that made it: to a shelf within its pot life, later to a hold area only, and never more
// than was made. What was issued for it is used and comes back no more.
func TestTheRestOfAMixComesBack(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.cage()
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		of(d.use(mix, order, "engines/e1", "1")).done(t)
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "BLENDED"`})).done(t).GetStockMovements()
		made := moves[0].GetName()
		bring := func(amount, place string) error {
			_, err := d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: made, Quantity: litres(amount), Location: place})
			return err
		}
		refused(t, "more than was made", bring("1.9", shelf), "RETURN_EXCEEDS_ISSUE")
		refused(t, "what was used", bring("1.5", shelf), "INSUFFICIENT_STOCK")
		of(0, bring("0.5", shelf)).done(t)
		if d.at(mix, shelf) != "0.5" || d.demand(order, "cleaner").GetIssued().GetValue() != "0.27" {
			t.Errorf("came back: %v, demand %v", d.lot(mix).GetBalances(), d.demand(order, "cleaner"))
		}
		d.known("workOrders/w2")
		of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: "workOrders/w2", Item: "items/solution", Quantity: litres("0.2"), NeedTime: timestamppb.New(d.clock.Now().Add(time.Hour)),
		})).done(t)
		of(d.issue(mix, "workOrders/w2", "0.2")).done(t)
		d.clock.Advance(9 * time.Hour)
		refused(t, "after its pot life", bring("0.3", shelf), "RETURN_NEEDS_HOLD_AREA")
		of(0, bring("0.3", "locations/cage")).done(t)
		_, err := d.issue(mix, "workOrders/w2", "0.1")
		refused(t, "issued after its pot life", err, "LOT_EXPIRED")
		d.balanced()
	})
}

// recallFact reads what was published of a lot's recall.
func (d desk) recallFact(lot string) *consumablesv1.LotChanged {
	d.t.Helper()
	var data []byte
	fact := &consumablesv1.LotChanged{}
	of(fact, d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT data FROM outbox WHERE type = $1 AND subject = $2", "coldsection.stock.lot.recalled.v1", lot).Scan(&data)
	})).done(d.t)
	return of(fact, protojson.Unmarshal(data, fact)).done(d.t)
}

// A wrong mix is undone: its inputs are with the job again and the books of every lot add up.
func TestAWrongMixIsUndone(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		req := batch(order)
		req.Output = litres("1.88")
		mix := of(d.blend(req)).done(t).GetName()
		d.balanced()
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "BLENDED"`})).done(t).GetStockMovements()
		of(d.reverse(moves[0].GetName())).done(t)
		got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: mix})).done(t)
		if d.at("lots/cln", order) != "0.27" || d.at("lots/wtr", order) != "1.623" || got.GetState() != consumablesv1.Lot_EMPTIED {
			t.Errorf("cleaner %s, water %s, mix %s", d.at("lots/cln", order), d.at("lots/wtr", order), got.GetState())
		}
		d.balanced()
		filled := of(d.decant("lots/cln", "1", "")).done(t).GetName()
		moves = of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "DECANTED"`})).done(t).GetStockMovements()
		of(d.reverse(moves[0].GetName())).done(t)
		if d.at(filled, shelf) != "0" || d.at("lots/cln", shelf) != "3.515" {
			t.Errorf("container %s, cleaner %s", d.at(filled, shelf), d.at("lots/cln", shelf))
		}
		d.balanced()
	})
}
