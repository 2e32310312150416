package server_test

import (
	"fmt"
	"strings"
	"testing"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// longTable is 5,000 rows with seven bad ones, each bad in its own way.
func longTable(m *performancev1.EngineModel) string {
	lines := strings.Split(strings.TrimSpace(siTable(m, 5000)), "\n")
	break7(lines)
	return strings.Join(lines, "\n")
}

const sevenBad = "6 time_utc TIME_INVALID|11 oat_c VALUE_NOT_A_NUMBER|16 engine_serial ENGINE_UNKNOWN|21  ROW_LENGTH|" +
	"26 torque_nm VALUE_AMBIGUOUS|31 time_utc READING_IN_FUTURE|36 itt_c VALUE_MISSING"

func (b bench) bulk(table string) *longrunningpb.Operation {
	b.t.Helper()
	return of(b.BulkImportReadings(b.as("technician"), &performancev1.BulkImportReadingsRequest{Content: []byte(table), Source: "logbook", RequestId: "one"})).done(b.t)
}

// parts works so many parts of what is under way, or all when n is negative.
func (b bench) parts(n int) {
	b.t.Helper()
	for ; n != 0; n-- {
		worked, err := b.app.Operations.Once(b.t.Context())
		if err != nil {
			b.t.Fatal(err)
		}
		if !worked {
			return
		}
	}
}

func (b bench) operation(name string) (*longrunningpb.Operation, *operationsv1.OperationMetadata) {
	b.t.Helper()
	op := of(b.GetOperation(b.as("technician"), &operationsv1.GetOperationRequest{Name: name})).done(b.t)
	m := &operationsv1.OperationMetadata{}
	if err := op.GetMetadata().UnmarshalTo(m); err != nil {
		b.t.Fatal(err)
	}
	return op, m
}

func rowErrors(m *operationsv1.OperationMetadata) string {
	var all []string
	for _, e := range m.GetRowErrors() {
		all = append(all, fmt.Sprintf("%d %s %s", e.GetLine(), e.GetColumn(), e.GetReason()))
	}
	return strings.Join(all, "|")
}

// An import of 5,000 rows with 7 bad ones is done with 7 row errors, each with line, column and reason, and it survives the
// end of its process in the middle: the next one ends with what the import without a break ends with (check API-21).
func TestALongImportSurvivesTheEndOfItsProcess(t *testing.T) {
	var whole *performancev1.ImportReadingsResponse
	var level *performancev1.Assessment
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		first := benchOn(t, db)
		table := longTable(first.withModel(nil))
		op := first.bulk(table)
		first.parts(3)
		if _, m := first.operation(op.GetName()); m.GetDoneCount() != 1500 || m.GetRowCount() != 5000 || m.GetState() != operationsv1.OperationMetadata_RUNNING {
			t.Errorf("under way: %v", m)
		}
		second := benchOn(t, db) // another process on the same data
		if err := second.app.SettleAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		second.parts(-1)
		got, m := second.operation(op.GetName())
		resp := &performancev1.ImportReadingsResponse{}
		if err := got.GetResponse().UnmarshalTo(resp); err != nil {
			t.Fatalf("%v: %v", got, err)
		}
		if !got.GetDone() || m.GetState() != operationsv1.OperationMetadata_SUCCEEDED || m.GetRefusedCount() != 7 || rowErrors(m) != sevenBad {
			t.Errorf("got %d refused: %s\nwant %s", m.GetRefusedCount(), rowErrors(m), sevenBad)
		}
		if resp.GetRowsTotal() != 5000 || resp.GetRowsTaken() != 4993 {
			t.Errorf("got %d taken of %d", resp.GetRowsTaken(), resp.GetRowsTotal())
		}
		assessed := of(second.GetAssessment(second.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		if whole == nil {
			whole, level = unbroken(t)
		}
		if !proto.Equal(resp, whole) || assessed.GetReadingsUsed() != level.GetReadingsUsed() || !proto.Equal(assessed.GetIttDeviationC(), level.GetIttDeviationC()) {
			t.Errorf("broken off:  %v\n%v\nin one piece: %v\n%v", resp, assessed, whole, level)
		}
		if again := second.bulk(table); again.GetName() != op.GetName() {
			t.Errorf("the same request started %s too", again.GetName())
		}
	})
}

// unbroken is the same import without a break, in one call.
func unbroken(t *testing.T) (*performancev1.ImportReadingsResponse, *performancev1.Assessment) {
	t.Helper()
	b := benchOn(t, storagetest.SQLite(t, store.Migrations()))
	table := longTable(b.withModel(nil))
	resp := of(b.ImportReadings(b.as("technician"), &performancev1.ImportReadingsRequest{Csv: table, Source: "logbook"})).done(t)
	return resp, of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
}

// What was kept until an import was ended stays kept and is worked out, and the operation says how much it is.
func TestALongImportThatIsEndedKeepsWhatItTook(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		op := b.bulk(longTable(b.withModel(nil)))
		b.parts(2)
		of(b.CancelOperation(b.as("technician"), &operationsv1.CancelOperationRequest{Name: op.GetName(), Reason: "wrong file"})).done(t)
		b.parts(-1)
		got, m := b.operation(op.GetName())
		if m.GetState() != operationsv1.OperationMetadata_CANCELLED || got.GetError().GetCode() != int32(codes.Canceled) || !strings.Contains(got.GetError().GetMessage(), "1000 of 5000 rows") {
			t.Errorf("got %v", got)
		}
		a := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		if a.GetReadingsUsed()+a.GetReadingsHeld() == 0 || a.GetReadingsUsed() > 993 {
			t.Errorf("of 993 readings %d are used, %d held", a.GetReadingsUsed(), a.GetReadingsHeld())
		}
	})
}

// A header that can't be read is refused before anything is kept.
func TestALongImportOfATableWithoutUnitsIsRefusedAtOnce(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		of(b.BulkImportReadings(b.as("technician"), &performancev1.BulkImportReadingsRequest{Content: []byte("engine_serial,time\nDEMO-1,now\n")})).refused(t, "HEADER_INVALID")
		list := of(b.ListOperations(b.as("admin"), &operationsv1.ListOperationsRequest{})).done(t)
		if len(list.GetOperations()) != 0 {
			t.Errorf("there is %v", list)
		}
	})
}

// Tried only, a long import says in its answer what it would do, with the rows that are bad, and nothing of it is kept: neither readings
// nor an operation.
func TestALongImportCanBeTried(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		lines := strings.Split(strings.TrimSpace(siTable(b.withModel(nil), 60)), "\n")
		break7(lines)
		req := &performancev1.BulkImportReadingsRequest{Content: []byte(strings.Join(lines, "\n")), ValidateOnly: true}
		op := of(b.BulkImportReadings(b.as("technician"), req)).done(t)
		said := &performancev1.ImportReadingsResponse{}
		if err := op.GetResponse().UnmarshalTo(said); err != nil {
			t.Fatal(err)
		}
		if !op.GetDone() || op.GetName() != "" || said.GetRowsTotal() != 60 || len(said.GetProblems()) < 7 || len(said.GetReadings()) != 20 {
			t.Errorf("%v", op)
		}
		if kept := of(b.ListReadings(b.as("viewer"), &performancev1.ListReadingsRequest{Parent: engineName})).done(t).GetReadings(); len(kept) != 0 {
			t.Errorf("%d readings are kept", len(kept))
		}
		if kept := of(b.ListOperations(b.as("technician"), &operationsv1.ListOperationsRequest{})).done(t).GetOperations(); len(kept) != 0 {
			t.Errorf("%v", kept)
		}
	})
}
