package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// documents records, as edda, a certificate or a last day, each unless it is empty.
func (d desk) documents(lot, certificate string, useBy time.Time) (*consumablesv1.Lot, error) {
	req := &consumablesv1.RecordLotDocumentsRequest{Name: lot, Reason: "read from the paper that came by mail"}
	if certificate != "" {
		req.Certificate = &consumablesv1.Certificate{Number: certificate}
	}
	if !useBy.IsZero() {
		req.LastDate = &date.Date{Year: int32(useBy.Year()), Month: int32(useBy.Month()), Day: int32(useBy.Day())}
	}
	return d.RecordLotDocuments(d.as("edda", "stores"), req)
}

// A delivery without its certificate and its last day is stuck until both are recorded, with who did it and what stood there before; where
// the item asks for a second person, whoever recorded them does not clear it.
func TestDocumentsThatCameLaterAreRecorded(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "strict", Item: &consumablesv1.Item{
			DisplayName: "strict", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", CertificateRequired: true, SecondPersonClears: true,
		}})).done(t)
		lot := d.draftOf("strict", "b", time.Time{})
		lot.Certificate = nil
		name := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("3"), Lot: lot})).done(t).GetName()
		_, err := d.ClearLot(d.as("dora", "stores"), &consumablesv1.ClearLotRequest{Name: name})
		refused(t, "without its certificate", err, "CERTIFICATE_MISSING")
		_, err = d.documents(name, "", time.Time{})
		refused(t, "nothing", err, "DOCUMENTS_MISSING")
		of(d.documents(name, "C-late", time.Time{})).done(t)
		got := of(d.documents(name, "", days(100))).done(t)
		if got.GetCertificate().GetNumber() != "C-late" || got.GetExpireTime().AsTime().Format(time.DateOnly) != days(100).Format(time.DateOnly) ||
			got.GetHoldReason() != "Waits for its receiving inspection" || len(got.GetDocumentRecords()) != 2 || got.GetDocumentRecords()[1].GetRecorder() != "people/edda" {
			t.Errorf("recorded: %v", got)
		}
		for _, person := range []string{"edda", "cleo"} { // who recorded, and who received
			_, err = d.ClearLot(d.as(person, "stores"), &consumablesv1.ClearLotRequest{Name: name})
			refused(t, person, err, "SAME_PERSON")
		}
		of(d.ClearLot(d.as("dora", "stores"), &consumablesv1.ClearLotRequest{Name: name})).done(t)
		_, err = d.documents(name, "C-other", time.Time{})
		refused(t, "of a usable lot", err, "LOT_NOT_HELD")
		if n := d.facts("coldsection.stock.lot.documented.v1"); n != 2 {
			t.Errorf("told %d times", n)
		}
	})
}

// A date that is recorded later may shorten the life, with that of the bottles that were filled, and never lengthens it.
func TestARecordedDateOnlyShortens(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(80)).GetName()
		bottle := of(d.decant(lot, "1", "")).done(t).GetName()
		d.hold(lot)
		_, err := d.documents(lot, "", days(81))
		refused(t, "a later day", err, "LIFE_NOT_LENGTHENED")
		_, err = d.documents(bottle, "", days(50))
		refused(t, "of a bottle", err, "LOT_MADE_HERE")
		got := of(d.documents(lot, "", days(50))).done(t)
		if before := got.GetDocumentRecords()[0].GetPreviousLastDate(); before.GetDay() != int32(days(80).Day()) {
			t.Errorf("before: %v", before)
		}
		for _, name := range []string{lot, bottle} {
			if end := d.lot(name).GetExpireTime().AsTime().Format(time.DateOnly); end != days(50).Format(time.DateOnly) {
				t.Errorf("%s until %s", name, end)
			}
		}
	})
}
