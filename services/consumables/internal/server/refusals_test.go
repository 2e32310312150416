package server_test

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault/faulttest"
	"coldsection.example/services/platform/storage"
)

// nextMoves are the words with which the last sentence of a refusal begins: what whoever was refused does next.
var nextMoves = strings.Fields(`Add Answer Ask Book Bring Check Choose Clear Compare Correct Count Decide Enter Fill Give If Issue Leave List Look Measure Mix Name Narrow
	Print Put Read Recall Receive Record Return Reverse Round Scan Schedule Send Set Sign Stop Switch Take Test Try Turn Type Use`)

// Every refusal of the stock service is walked where it is written: it names what it is about, and its last sentence is the next move.
func TestEveryRefusalNamesTheThingTheRuleAndTheNextMove(t *testing.T) {
	found := faulttest.Sentences(t, "..")
	for _, s := range found {
		if s.Worded() {
			continue
		}
		if !slices.Contains(nextMoves, s.Move()) {
			t.Errorf("%s, %s: no next move at the end of %q", s.Where, s.Reason, s.Text)
		}
		if !strings.HasSuffix(s.Text, ".") || len(strings.Fields(s.Text)) < 6 {
			t.Errorf("%s, %s: no whole sentence: %q", s.Where, s.Reason, s.Text)
		}
	}
	if len(found) < 120 {
		t.Errorf("%d refusals were found; the walk misses some", len(found))
	}
}

// shadowed are reasons that another check comes before, whoever calls: the contract's of the field, and that of digits.
var shadowed = []string{"INSTRUMENT_MISSING", "QUANTITY_TOO_LARGE"}

// Every reason that the stock service refuses with is provoked by a test of it.
func TestEveryReasonIsProvoked(t *testing.T) {
	var tests strings.Builder
	of(0, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") && !strings.HasSuffix(path, ".csv") {
			return err
		}
		raw, err := os.ReadFile(path)
		tests.Write(raw)
		return err
	})).done(t)
	for _, s := range faulttest.Sentences(t, "..") {
		if s.Reason != "" && !slices.Contains(shadowed, s.Reason) && !strings.Contains(tests.String(), s.Reason) {
			t.Errorf("%s: no test is refused with %s", s.Where, s.Reason)
		}
	}
}

// Refusals that nothing else provokes: each leaves things as they were.
func TestRefusalsOfTheCatalogueAndTheBooks(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		place := func(kind consumablesv1.Location_Kind, zone string) error {
			_, err := d.CreateLocation(d.clerk(), &consumablesv1.CreateLocationRequest{Location: &consumablesv1.Location{DisplayName: "x", Kind: kind, TimeZone: zone}})
			return err
		}
		refused(t, "a place of the books", place(consumablesv1.Location_WASTE, "UTC"), "LOCATION_KIND_NOT_ALLOWED")
		refused(t, "no zone", place(consumablesv1.Location_BIN, ""), "TIME_ZONE_UNKNOWN")
		refused(t, "a zone that is none", place(consumablesv1.Location_BIN, "Europe/Nowhere"), "TIME_ZONE_UNKNOWN")
		_, err := d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("5000000000"), Lot: d.draftOf("cleaner", "big", days(200))})
		refused(t, "more than a ledger holds", err, "VALUE_TOO_LONG")
		test := reading("4", "25")
		test.Meter = "tools/unreachable"
		_, err = d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: d.received("water", "w1", "20", days(60)).GetName(), WaterTest: test})
		refused(t, "while nobody knows of the meter", err, "COMPLIANCE_UNREACHABLE")
		d.stocked("cleaner", "l1", "5", days(200))
		d.needs(order, "cleaner", "1")
		claim := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{})).done(t).GetReservations()[0].GetName()
		of(d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: claim})).done(t)
		_, err = d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: claim})
		refused(t, "a claim that was given up", err, "RESERVATION_FREED")
	})
}

// What came without a certificate is not cleared where the item needs one, and what nobody knows the life of is not issued.
func TestPapersAndLifeAreNeeded(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.changed(func(i *consumablesv1.Item) { i.CertificateRequired = true })).done(t)
		bare := d.draftOf("cleaner", "l1", days(200))
		bare.Certificate = nil
		lot := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{Location: shelf, Quantity: litres("5"), Lot: bare})).done(t)
		_, err := d.clear(lot.GetName())
		refused(t, "without a certificate", err, "CERTIFICATE_MISSING")
		if lot.GetHoldReason() != "No certificate came with it" {
			t.Errorf("held because %q", lot.GetHoldReason())
		}
		ageless := d.stocked("keepless", "k1", "5", time.Time{}).GetName()
		of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
			WorkOrder: order, PlanStartTime: timestamppb.New(days(1)), Demands: []*workordersv1.MaterialDemand{{Item: "items/keepless", Quantity: litres("1")}},
		})).done(t)
		_, err = d.issue(ageless, order, "1")
		refused(t, "of unknown life", err, "LOT_LIFE_UNKNOWN")
	})
}

// An export of more than a message holds is refused before it is written, and in parts it is taken.
func TestAnExportHasALimit(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "l1", "5", days(200))
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, `INSERT INTO movements (name, version, body, kind, lot, item, work_order, effective_time, create_time)
				WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 20000)
				SELECT 'stockMovements/copy-' || i, version, body, kind, lot, item, work_order, effective_time - 1000000, create_time FROM movements, n`)
			return err
		})).done(t)
		asked := &consumablesv1.ExportStockRequest{Content: consumablesv1.ExportStockRequest_MOVEMENTS}
		_, err := d.ExportStock(d.clerk(), asked)
		refused(t, "20,001 movements", err, "EXPORT_TOO_LARGE")
		asked.StartTime = timestamppb.New(d.clock.Now())
		of(d.ExportStock(d.clerk(), asked)).done(t)
	})
}
