package server_test

import (
	"fmt"
	"testing"

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
