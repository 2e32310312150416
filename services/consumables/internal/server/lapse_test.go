package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// demand is what an order needs of an item, as the list of demands shows it.
func (d desk) demand(order, item string) *consumablesv1.StockDemand {
	d.t.Helper()
	found := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{
		Filter: `work_order = "` + order + `" AND item = "items/` + item + `"`,
	})).done(d.t).GetStockDemands()
	if len(found) != 1 {
		d.t.Fatalf("%s has %d demands of %s", order, len(found), item)
	}
	return found[0]
}

// A claim on what was recalled, held, thrown away or missed in a count since hides no shortage: it lapses, its order claims what else there
// is, and the list of demands shows what is missing.
func TestAClaimThatCanNotBeFilledIsNoClaim(t *testing.T) {
	spoilt := map[string]func(d desk, lot string){
		"recalled": func(d desk, lot string) {
			of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(d.t)
		},
		"held": func(d desk, lot string) { d.hold(lot) },
		"thrown": func(d desk, lot string) {
			of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Quantity: litres("4"), Location: shelf, Reason: "spilt"})).done(d.t)
		},
		"missed": func(d desk, lot string) {
			of(d.approve("dora", of(d.count(lot, "1", d.clock.Now())).done(d.t).GetName())).done(d.t)
		},
	}
	desks(t, func(t *testing.T, d desk) {
		for what, spoil := range spoilt {
			of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: what, Item: &consumablesv1.Item{
				DisplayName: what, Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L",
			}})).done(t)
			lot := d.stocked(what, what, "5", days(100)).GetName()
			d.stocked(what, what+"-2", "2", days(200))
			d.needs("workOrders/"+what, what, "4")
			if got := d.lot(lot).GetReserved().GetValue(); got != "4" {
				t.Fatalf("%s is claimed", got)
			}
			spoil(d, lot)
		}
		for range 2 { // the second look finds nothing more
			d.swept()
		}
		for what := range spoilt {
			first, missing := "0", "2"
			if what == "thrown" || what == "missed" { // a litre is left of it
				first, missing = "1", "1"
			}
			if got := d.lot("lots/"+what).GetReserved().GetValue() + " " + d.lot("lots/"+what+"-2").GetReserved().GetValue(); got != first+" 2" {
				t.Errorf("%s: %s is claimed, want %s and 2", what, got, first)
			}
			if got := d.demand("workOrders/"+what, what); got.GetShortfall().GetValue() != missing || got.GetState() != consumablesv1.StockDemand_OPEN {
				t.Errorf("%s: %v", what, got)
			}
			if got := d.shortTold("workOrders/" + what); len(got) != 1 || got[0].GetComplete() || got[0].GetLines()[0].GetShortfall().GetValue() != missing || len(got[0].GetReasons()) == 0 {
				t.Errorf("%s: told %v", what, got)
			}
		}
		lapsed := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{Filter: `state = "LAPSED"`})).done(t).GetReservations()
		if len(lapsed) != len(spoilt) || d.facts("coldsection.stock.reservation.lapsed.v1") != len(spoilt) {
			t.Errorf("lapsed %v", lapsed)
		}
	})
}

// shortTold are the facts that an order is short.
func (d desk) shortTold(order string) (told []*consumablesv1.DemandsAnswered) {
	d.t.Helper()
	for _, e := range d.factsAbout(order, "coldsection.stock.ran_low.v1") {
		fact := &consumablesv1.DemandsAnswered{}
		of(0, protojson.Unmarshal(e.Data, fact)).done(d.t)
		told = append(told, fact)
	}
	return told
}

// Whose claim ran out has a shortage to see, and nothing is claimed for it again; what others claim stays.
func TestWhatRanOutIsMissing(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "3")
		d.clock.Advance(8*24*time.Hour + time.Second)
		d.needs("workOrders/late", "cleaner", "2")
		d.swept()
		if got := d.demand(order, "cleaner"); got.GetShortfall().GetValue() != "3" || got.GetReserved().GetValue() != "0" {
			t.Errorf("ran out: %v", got)
		}
		if got := d.demand("workOrders/late", "cleaner"); got.GetState() != consumablesv1.StockDemand_RESERVED || d.lot(lot).GetReserved().GetValue() != "2" {
			t.Errorf("the other: %v", got)
		}
	})
}
