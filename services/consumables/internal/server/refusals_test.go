package server_test

import (
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/storage"
)

// sentence is a refusal as the code of the stock service words it.
type sentence struct {
	where, reason, text string
}

// nextMoves are the words with which the last sentence of a refusal begins: what whoever was refused does next.
var nextMoves = strings.Fields(`Add Answer Ask Book Bring Check Choose Clear Compare Correct Count Decide Enter Fill Give If Issue Leave List Look Measure Mix Name Narrow
	Print Put Read Recall Receive Record Return Reverse Round Scan Schedule Send Set Sign Stop Switch Take Test Try Turn Type Use`)

// Every refusal of the stock service is walked where it is written: it names what it is about, and its last sentence is the next move.
func TestEveryRefusalNamesTheThingTheRuleAndTheNextMove(t *testing.T) {
	found := refusalsIn(t, "..")
	for _, s := range found {
		if strings.HasPrefix(s.text, "%s") && strings.Count(s.text, " ") == 0 {
			continue // a sentence that a rule worded; its rule is walked too
		}
		if !slices.Contains(nextMoves, moveOf(s.text)) {
			t.Errorf("%s, %s: no next move at the end of %q", s.where, s.reason, s.text)
		}
		if !strings.HasSuffix(s.text, ".") || len(strings.Fields(s.text)) < 6 {
			t.Errorf("%s, %s: no whole sentence: %q", s.where, s.reason, s.text)
		}
	}
	if len(found) < 120 {
		t.Errorf("%d refusals were found; the walk misses some", len(found))
	}
}

// ends finds where a sentence ends and the next begins; what a rule worded ends with its own full stop. In a single sentence the move may
// follow after a colon.
var ends, colon = regexp.MustCompile(`(?:[.]|%s) [A-Z]`), regexp.MustCompile(`: [a-z]`)

// moveOf is the word with which the last sentence begins.
func moveOf(text string) string {
	all := ends.FindAllStringIndex(text, -1)
	if len(all) == 0 {
		all = colon.FindAllStringIndex(text, -1)
	}
	if len(all) == 0 {
		return ""
	}
	word, _, _ := strings.Cut(text[all[len(all)-1][1]-1:], " ")
	word = strings.Trim(word, ",.:")
	return strings.ToUpper(word[:1]) + word[1:]
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
	for _, s := range refusalsIn(t, "..") {
		if s.reason != "" && !slices.Contains(shadowed, s.reason) && !strings.Contains(tests.String(), s.reason) {
			t.Errorf("%s: no test is refused with %s", s.where, s.reason)
		}
	}
}

// refusalsIn are the refusals below a folder whose sentence is written out: calls of package fault, and the pairs of reason and sentence
// that rules return.
func refusalsIn(t *testing.T, folder string) (found []sentence) {
	t.Helper()
	of(0, filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		files := token.NewFileSet()
		file, err := parser.ParseFile(files, path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if reason, text := worded(n); text != "" {
				found = append(found, sentence{where: files.Position(n.Pos()).String(), reason: reason, text: text})
			}
			return true
		})
		return nil
	})).done(t)
	return found
}

// worded is the reason and the sentence of a node that refuses.
func worded(n ast.Node) (reason, text string) {
	switch n := n.(type) {
	case *ast.CallExpr:
		if f, ok := n.Fun.(*ast.SelectorExpr); ok {
			if p, ok := f.X.(*ast.Ident); ok && p.Name == "fault" && slices.Contains([]string{"Invalid", "Precondition", "New"}, f.Sel.Name) {
				at := 1
				if f.Sel.Name == "Precondition" {
					at = 0
				}
				return literal(n.Args[at]), literal(n.Args[at+1])
			}
		}
	case *ast.ReturnStmt:
		if len(n.Results) != 2 {
			return "", ""
		}
		reason := literal(n.Results[0])
		if call, ok := n.Results[1].(*ast.CallExpr); ok && reason != "" && len(call.Args) > 0 {
			return reason, literal(call.Args[0])
		}
		if reason != "" && strings.ToUpper(reason) == reason {
			return reason, literal(n.Results[1])
		}
	}
	return "", ""
}

// literal is a text that is written out, its parts joined; a part that is computed is left out.
func literal(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(e.Value)
		if err != nil || e.Kind != token.STRING {
			return ""
		}
		return text
	case *ast.BinaryExpr:
		return literal(e.X) + literal(e.Y)
	}
	return ""
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
