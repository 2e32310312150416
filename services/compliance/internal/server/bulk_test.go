package server_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage/storagetest"
)

// bulk begins to take a long table in as planner and quality with ada's proof.
func (w *world) bulk(rows compliancev1.FleetRows, file string, change ...func(*compliancev1.BulkImportFleetRequest)) (*longrunningpb.Operation, error) {
	w.t.Helper()
	req := &compliancev1.BulkImportFleetRequest{Rows: rows, Content: []byte(file), ReauthenticationToken: w.proof()}
	for _, f := range change {
		f(req)
	}
	return w.exchange.BulkImportFleet(w.as("planner", "quality"), req)
}

// parts works so many parts of what is under way, or all when n is negative.
func (w *world) parts(a *app.App, n int) {
	w.t.Helper()
	for ; n != 0; n-- {
		if !must(a.Operations.Once(w.t.Context()))(w.t) {
			return
		}
	}
}

// became is an operation as it is now: how far it is, its refused rows, and what came of it.
func (w *world) became(name string) (*longrunningpb.Operation, *operationsv1.OperationMetadata, *compliancev1.ImportFleetResponse) {
	w.t.Helper()
	op := must(w.operations.GetOperation(w.as("planner"), &operationsv1.GetOperationRequest{Name: name}))(w.t)
	far, resp := &operationsv1.OperationMetadata{}, &compliancev1.ImportFleetResponse{}
	if err := op.GetMetadata().UnmarshalTo(far); err != nil {
		w.t.Fatal(err)
	}
	if op.GetResponse() != nil {
		if err := op.GetResponse().UnmarshalTo(resp); err != nil {
			w.t.Fatal(err)
		}
	}
	return op, far, resp
}

// imported takes a long table in, whole.
func (w *world) imported(rows compliancev1.FleetRows, file string) *compliancev1.ImportFleetResponse {
	w.t.Helper()
	op := must(w.bulk(rows, file))(w.t)
	w.parts(w.app, -1)
	done, _, resp := w.became(op.GetName())
	if done.GetResponse() == nil {
		w.t.Fatal(done)
	}
	return resp
}

func rowErrors(m *operationsv1.OperationMetadata) string {
	var all []string
	for _, e := range m.GetRowErrors() {
		all = append(all, fmt.Sprintf("%d %s %s", e.GetLine(), e.GetColumn(), e.GetReason()))
	}
	return strings.Join(all, "|")
}

// longPast is so many rows of the past with seven bad ones, each bad in its own way.
func longPast(n int) string {
	lines := []string{"source_id,requirement,subject,done_date,operating_hours,late_entry_reason"}
	for i := range n {
		lines = append(lines, fmt.Sprintf("row-%d,check,engines/one,2026-02-%02d,%d.5,why", i, 1+i%28, i/10))
	}
	for at, bad := range map[int]string{
		5: "b,check,engines/one,2026-02-31,1,why", 10: "b,none,engines/one,2026-02-01,1,why", 15: "b,check,engines/none,2026-02-01,1,why",
		20: "b,check,engines/one,2027-01-01,1,why", 25: "b,check,engines/one,2026-02-01,,why", 30: "b,check,engines/one,2026-02-01,one,why", 35: "b,check,engines/one",
	} {
		lines[at] = bad
	}
	return strings.Join(lines, "\n") + "\n"
}

const sevenBad = "6 done_date DATE_INVALID|11 requirement NOT_FOUND|16 subject NOT_FOUND|21 done_date DATE_IN_FUTURE|26 operating_hours COUNTERS_MISSING|" +
	"31 operating_hours VALUE_NOT_A_NUMBER|36  ROW_LENGTH"

// A table of 5,000 rows with 7 bad ones is taken in but for these, each named with line, column and reason; the end of its process in the
// middle changes nothing, and the same table again takes no row twice (check API-21).
func TestALongImportOfAFleetSurvivesTheEndOfItsProcess(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		table := longPast(5000)
		op := must(w.bulk(compliancev1.FleetRows_LAST_DONE, table))(t)
		w.parts(w.app, 3)
		if _, far, _ := w.became(op.GetName()); far.GetDoneCount() != 1500 || far.GetRowCount() != 5000 || far.GetState() != operationsv1.OperationMetadata_RUNNING {
			t.Errorf("under way: %v", far)
		}
		if last := w.item("check").GetLastDoneDate(); last.GetDay() != 28 {
			t.Errorf("a part that was kept is not worked out: %v", last)
		}
		w.parts(w.restarted(), -1)
		done, far, resp := w.became(op.GetName())
		if !done.GetDone() || far.GetState() != operationsv1.OperationMetadata_SUCCEEDED || far.GetRefusedCount() != 7 || rowErrors(far) != sevenBad {
			t.Errorf("%d refused: %s\nwant %s", far.GetRefusedCount(), rowErrors(far), sevenBad)
		}
		if resp.GetImportedCount() != 4993 || resp.GetUnchangedCount() != 0 || len(resp.GetFaults()) != 7 || len(resp.GetNames()) != 0 {
			t.Errorf("%d taken, faults %v", resp.GetImportedCount(), resp.GetFaults())
		}
		if n := w.rows("SELECT COUNT(*) FROM accomplishments"); n != 4993 {
			t.Errorf("%d records", n)
		}
		if again := w.imported(compliancev1.FleetRows_LAST_DONE, table); again.GetImportedCount() != 0 || again.GetUnchangedCount() != 4993 || len(again.GetFaults()) != 7 {
			t.Errorf("again %d taken, %d unchanged", again.GetImportedCount(), again.GetUnchangedCount())
		}
	})
}

// What was kept until an import was ended stays, and the same table again takes the rest.
func TestALongImportOfAFleetThatIsEndedKeepsWhatItTook(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		table := longPast(1200)
		op := must(w.bulk(compliancev1.FleetRows_LAST_DONE, table))(t)
		w.parts(w.app, 1)
		must(w.operations.CancelOperation(w.as("planner"), &operationsv1.CancelOperationRequest{Name: op.GetName(), Reason: "wrong file"}))(t)
		w.parts(w.restarted(), -1)
		done, far, _ := w.became(op.GetName())
		if far.GetState() != operationsv1.OperationMetadata_CANCELLED || done.GetError().GetCode() != int32(codes.Canceled) || !strings.Contains(done.GetError().GetMessage(), "500 of 1200 rows") {
			t.Errorf("%v", done)
		}
		if n := w.rows("SELECT COUNT(*) FROM accomplishments"); n != 493 {
			t.Errorf("%d records", n)
		}
		if rest := w.imported(compliancev1.FleetRows_LAST_DONE, table); rest.GetImportedCount() != 700 || rest.GetUnchangedCount() != 493 {
			t.Errorf("the rest: %v", rest)
		}
	})
}

// Of a table whose rows are good one ends with what the import in one call ends with; of one with faults the same faults are named, in the
// same words, a row that is refused half way leaves nothing, and a trial says the same and keeps nothing (check API-20).
func TestALongImportJudgesEachRowAsTheShortOneDoes(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		for rows, c := range w.wrongTables() {
			if c.want == nil {
				_, err := w.bulk(rows, c.file)
				refused(t, err, "HEADER_INVALID")
				continue
			}
			want := must(w.imports(rows, c.file, dryly))(t).GetFaults()
			before := w.everyTable()
			tried := &compliancev1.ImportFleetResponse{}
			op := must(w.bulk(rows, c.file, func(r *compliancev1.BulkImportFleetRequest) { r.ValidateOnly = true }))(t)
			if err := op.GetResponse().UnmarshalTo(tried); err != nil || !op.GetDone() || op.GetName() != "" || w.everyTable() != before {
				t.Errorf("%s tried: %v, %v", rows, op, err)
			}
			got := w.imported(rows, c.file)
			if !proto.Equal(tried, got) {
				t.Errorf("%s: tried %v\nlive %v", rows, tried, got)
			}
			if fmt.Sprint(sortedFaults(got)) != fmt.Sprint(sortedFaults(&compliancev1.ImportFleetResponse{Faults: want})) {
				t.Errorf("%s: got  %v\nwant %v", rows, got.GetFaults(), want)
			}
		}
		if n := w.rows("SELECT COUNT(*) FROM components"); n != 0 {
			t.Errorf("%d components whose fitting was refused are kept", n)
		}
	})
}

func sortedFaults(r *compliancev1.ImportFleetResponse) (out []string) {
	for _, f := range r.GetFaults() {
		out = append(out, fmt.Sprintf("%03d %s %s %s", f.GetLine(), f.GetColumn(), f.GetReason(), f.GetExplanation()))
	}
	slices.Sort(out)
	return out
}

// A long import leaves what the short one of the same tables leaves, and what is due after it is the same.
func TestALongImportEndsWhereTheShortOneDoes(t *testing.T) {
	short, long := newWorld(t, storagetest.SQLite(t, store.Migrations())), newWorld(t, storagetest.SQLite(t, store.Migrations()))
	for _, f := range fleetFiles {
		short.taken(f.rows, f.file)
		if got := long.imported(f.rows, f.file); got.GetImportedCount() != 2 || len(got.GetFaults()) != 0 {
			t.Errorf("%s: %v", f.rows, got)
		}
	}
	for _, name := range []string{"dueItems/wash-50.alpha-1", "dueItems/ad-1.alpha-1"} {
		a := must(short.queries.GetDueItem(short.as("viewer"), &compliancev1.GetDueItemRequest{Name: name}))(t)
		b := must(long.queries.GetDueItem(long.as("viewer"), &compliancev1.GetDueItemRequest{Name: name}))(t)
		if a.GetExplanation() == "" || a.GetExplanation() != b.GetExplanation() || a.GetBand() != b.GetBand() {
			t.Errorf("%v\n%v", a, b)
		}
	}
	for _, table := range []string{"aircraft", "engines", "requirements", "accomplishments", "due_items", "fittings", "imported_rows", "record_chain", "outbox"} {
		if a, b := short.rows("SELECT COUNT(*) FROM "+table), long.rows("SELECT COUNT(*) FROM "+table); a != b {
			t.Errorf("%s: %d rows, %d by the long import", table, a, b)
		}
	}
}

// A component is taken with all of its stays or not at all: not when one of its rows is bad, or a row without an id stands beside them, or
// its rows are apart. The others are taken.
func TestALongImportTakesNoComponentWithAStayLess(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		const head = "component_id,part_number,serial,name,cycles,stay_engine_model,stay_install_cycles,stay_remove_cycles,stay_document\n"
		const table = head + "whole,P-1,S-1,Whole,9,demo,0,4,log\nwhole,,,,,demo,4,9,log\n" +
			"bad,P-1,S-2,Bad,9,demo,0,4,log\nbad,,,,,demo,four,9,log\n" +
			"good,P-1,S-3,Good,1,demo,0,1,log\n" + "apart,P-1,S-4,Apart,9,demo,0,4,log\n" + "fine,P-1,S-5,Fine,1,demo,0,1,log\n" + "apart,,,,,demo,4,9,log\n" +
			"above,P-1,S-6,Above,9,demo,0,4,log\n,,,,,demo,4,9,log\nbelow,P-1,S-7,Below,4,demo,0,4,log\n" + "last,P-1,S-8,Last,4,demo,0,4,log\n"
		got := w.imported(compliancev1.FleetRows_COMPONENTS, table)
		var lines []string
		for _, f := range got.GetFaults() {
			lines = append(lines, fmt.Sprintf("%d %s", f.GetLine(), f.GetReason()))
		}
		want := "4 HISTORY_INCOMPLETE, 5 VALUE_NOT_A_NUMBER, 7 HISTORY_INCOMPLETE, 9 HISTORY_INCOMPLETE, 10 HISTORY_INCOMPLETE, 11 VALUE_MISSING, 12 HISTORY_INCOMPLETE"
		if s := strings.Join(lines, ", "); s != want || got.GetImportedCount() != 5 {
			t.Errorf("%d taken\ngot  %s\nwant %s", got.GetImportedCount(), s, want)
		}
		if n := w.rows("SELECT COUNT(*) FROM components"); n != 4 {
			t.Errorf("%d components", n)
		}
	})
}

// The proofs of a long table of the past are spent when it is begun: nothing is begun without them, and none serves twice.
func TestALongTableOfThePastIsSignedWhenItIsBegun(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "bea", Person: &compliancev1.Person{DisplayName: "Bea"}}))(t)
		const head = "source_id,requirement,subject,done_date,operating_hours,late_entry_reason\n"
		const recent, old = head + "1,check,engines/one,2026-02-01,990,why\n", head + "2,check,engines/one,2023-02-01,500,why\n"
		planned := &compliancev1.BulkImportFleetRequest{Rows: compliancev1.FleetRows_LAST_DONE, Content: []byte(recent), ReauthenticationToken: w.proof()}
		_, err := w.exchange.BulkImportFleet(w.as("planner"), planned)
		refused(t, err, "ROLE_MISSING")
		none := func(r *compliancev1.BulkImportFleetRequest) { r.ReauthenticationToken = "" }
		_, err = w.bulk(compliancev1.FleetRows_LAST_DONE, recent, none)
		refused(t, err, "REAUTHENTICATION_NEEDED")
		_, err = w.bulk(compliancev1.FleetRows_LAST_DONE, old, func(r *compliancev1.BulkImportFleetRequest) { r.SecondReauthenticationToken = w.proof() })
		refused(t, err, "SECOND_PERSON_NEEDED")
		if n := w.rows("SELECT COUNT(*) FROM operations"); n != 0 {
			t.Errorf("%d operations are begun", n)
		}
		if got := w.imported(compliancev1.FleetRows_LAST_DONE, old); len(got.GetFaults()) != 1 || got.GetFaults()[0].GetReason() != "SECOND_PERSON_NEEDED" {
			t.Errorf("alone: %v", got)
		}
		used := w.proof()
		both := func(r *compliancev1.BulkImportFleetRequest) {
			r.ReauthenticationToken, r.SecondReauthenticationToken = used, w.proofOf("bea")
		}
		op := must(w.bulk(compliancev1.FleetRows_LAST_DONE, old, both))(t)
		_, err = w.bulk(compliancev1.FleetRows_LAST_DONE, recent, func(r *compliancev1.BulkImportFleetRequest) { r.ReauthenticationToken = used })
		refused(t, err, "REAUTHENTICATION_NEEDED")
		w.parts(w.restarted(), -1)
		if _, _, resp := w.became(op.GetName()); resp.GetImportedCount() != 1 {
			t.Errorf("%v", resp)
		}
		all := must(w.queries.ListAccomplishments(w.as("viewer"), &compliancev1.ListAccomplishmentsRequest{Parent: "requirements/check"}))(t).GetAccomplishments()
		if len(all) != 1 || all[0].GetCertifier() != "people/ada" || all[0].GetSecondPerson() != "people/bea" {
			t.Errorf("%v", all)
		}
	})
}
