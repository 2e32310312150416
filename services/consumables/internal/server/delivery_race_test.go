package server_test

import (
	"fmt"
	"sync"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// Two parts of a delivery of one manufacturer's lot that are booked in at the same moment are one lot with two receipts, which has both
// amounts: a recall by the manufacturer's number finds all of it.
func TestOneManufacturersLotIsOneLotAtOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		for round := range 4 {
			number := fmt.Sprintf("M-%d", round)
			var wait sync.WaitGroup
			lots := make([]*consumablesv1.Lot, 2)
			errs := make([]error, len(lots))
			for i := range lots {
				wait.Go(func() {
					lot := d.draftOf("cleaner", number, days(200))
					lot.ManufacturerLot = number
					lots[i], errs[i] = d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("2"), Lot: lot})
				})
			}
			wait.Wait()
			if errs[0] != nil || errs[1] != nil {
				t.Fatal(errs)
			}
			if lots[0].GetName() != lots[1].GetName() {
				t.Errorf("%s is %s and %s", number, lots[0].GetName(), lots[1].GetName())
			} else if now := d.lot(lots[0].GetName()); now.GetOnHand().GetValue() != "4.000" && now.GetOnHand().GetValue() != "4" {
				t.Errorf("%s has %v on hand", number, now.GetOnHand())
			}
		}
	})
}
