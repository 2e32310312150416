package server_test

import (
	"fmt"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// Deliveries that are booked at once each get a lot with a label of its own.
func TestDeliveriesAtOnceHaveLabelsOfTheirOwn(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lots := make(chan result[*consumablesv1.Lot], 12)
		for i := range cap(lots) {
			go func() {
				lots <- of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{
					Location: shelf, Quantity: litres("1"), Lot: &consumablesv1.Lot{Item: "items/keeping", ManufacturerLot: fmt.Sprint("M-", i)},
				}))
			}()
		}
		labels := map[string]bool{}
		for range cap(lots) {
			labels[(<-lots).done(t).GetShortCode()] = true
		}
		if len(labels) != cap(lots) {
			t.Errorf("%d labels for %d lots", len(labels), cap(lots))
		}
	})
}

// A second claim by hand adds to the first, and what the order claimed before is not promised again.
func TestClaimsByHandAddUp(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "3")
		of(d.issue(lot, order, "1")).done(t)
		d.needs(order, "cleaner", "1.5")
		_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: order, Item: "items/cleaner", Quantity: litres("0.6"), NeedTime: timestamppb.New(days(1)),
		})
		refused(t, "more than is left", err, "INSUFFICIENT_STOCK")
		demand := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()[0]
		if demand.GetNeeded().GetValue() != "4.5" || demand.GetIssued().GetValue() != "1" || demand.GetReserved().GetValue() != "3.5" {
			t.Errorf("demand %v", demand)
		}
		if got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t).GetReserved().GetValue(); got != "3.5" {
			t.Errorf("%s of the lot are claimed", got)
		}
		// A claim that is given up leaves the order short; claimed again, it is as before.
		claims := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{Filter: `state = "CLAIMED"`})).done(t).GetReservations()
		for _, c := range claims {
			of(d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: c.GetName()})).done(t)
		}
		demand = of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()[0]
		if demand.GetShortfall().GetValue() != "3.5" || demand.GetState() != consumablesv1.StockDemand_OPEN || len(claims) != 2 {
			t.Errorf("given up: %v", demand)
		}
		d.needs(order, "cleaner", "3.5")
		demand = of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()[0]
		if demand.GetNeeded().GetValue() != "4.5" || demand.GetReserved().GetValue() != "3.5" {
			t.Errorf("claimed again: %v", demand)
		}
	})
}
