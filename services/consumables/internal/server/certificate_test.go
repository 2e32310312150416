package server_test

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// The certificate of a lot that came without it is given by whoever clears the lot, once.
func TestACertificateMayComeAfterTheGoods(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) { i.CertificateRequired = true })).done(t)
		lot := d.draftOf("cleaner", "l1", days(200))
		lot.Certificate = nil
		name := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("5"), Lot: lot})).done(t).GetName()
		_, err := d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: name})
		refused(t, "without a certificate", err, "CERTIFICATE_MISSING")
		posted := &consumablesv1.ClearLotRequest{Name: name, Certificate: &consumablesv1.Certificate{Number: "C-by-post"}}
		if got := of(d.ClearLot(d.clerk(), posted)).done(t); got.GetCertificate().GetNumber() != "C-by-post" || got.GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("by post: %v", got)
		}
		of(d.HoldLot(d.clerk(), &consumablesv1.HoldLotRequest{Name: name, Reason: "doubt"})).done(t)
		_, err = d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: name, Certificate: &consumablesv1.Certificate{Number: "C-2"}})
		refused(t, "another one", err, "CERTIFICATE_RECORDED")
	})
}
