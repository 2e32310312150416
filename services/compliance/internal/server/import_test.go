package server_test

import (
	"bytes"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage/storagetest"
)

const (
	planesCSV = "aircraft_id,registration,regime,operating_hours,cycles,counters_date,flying_hours_per_day,owner\n" +
		"alpha,DEMO-A,EASA,4321.6,3000,2026-03-01,2.5,north\n" +
		"bravo,DEMO-B,faa,1234:30,900,2026-03-01,,south\n"
	enginesCSV = "engine_id,serial,engine_model,owner,operating_hours,cycles,counters_date,aircraft,position,install_date\n" +
		"alpha-1,D-2001,demo,north,2000.25,1500,2026-03-01,alpha,1,2026-03-01\n" +
		"spare,D-2002,engineModels/demo,north,10,8,2026-03-01,,,\n"
	rulesCSV = "requirement_id,code,title,kind,document,document_revision,engine_models,repeat_hours,repeat_months,rebase,tolerance_hours,serials\n" +
		"wash-50,W-50,Wash,programme item,Demonstration programme,1,demo,50,3,from due if late,5,\n" +
		"ad-1,AD-1,Vane,DIRECTIVE,Demonstration directive,A,demo,100,,,,D-2001..D-2001\n"
	doneCSV = "source_id;requirement;subject;done_date;operating_hours;cycles;late_entry_reason;document_reference;method\n" +
		"L-17;wash-50;engines/alpha-1;2026-02-01;1980,5;1490;before the suite;log 3 page 17;hot wash\n" +
		"L-18;ad-1;engines/alpha-1;2026-01-15;1970,0;1480;before the suite;log 3 page 9;para 2\n"
)

// imports takes a table in as planner and quality with ada's proof.
func (w *world) imports(rows compliancev1.FleetRows, file string, change ...func(*compliancev1.ImportFleetRequest)) (*compliancev1.ImportFleetResponse, error) {
	w.t.Helper()
	req := &compliancev1.ImportFleetRequest{Rows: rows, Content: []byte(file), ReauthenticationToken: w.proof()}
	for _, f := range change {
		f(req)
	}
	return w.exchange.ImportFleet(w.as("planner", "quality"), req)
}

// taken imports a table that has no fault.
func (w *world) taken(rows compliancev1.FleetRows, file string) *compliancev1.ImportFleetResponse {
	w.t.Helper()
	got := must(w.imports(rows, file))(w.t)
	if len(got.GetFaults()) > 0 {
		w.t.Fatal(got.GetFaults())
	}
	return got
}

func dryly(r *compliancev1.ImportFleetRequest) { r.ValidateOnly = true }

// fleetFiles are the tables of a small fleet in the order that they are taken in.
var fleetFiles = []struct {
	rows compliancev1.FleetRows
	file string
}{
	{compliancev1.FleetRows_AIRCRAFT, planesCSV}, {compliancev1.FleetRows_ENGINES, enginesCSV},
	{compliancev1.FleetRows_REQUIREMENTS, rulesCSV}, {compliancev1.FleetRows_LAST_DONE, doneCSV},
}

// everyTable are the tables in which a use case could leave something.
func (w *world) everyTable() string {
	w.t.Helper()
	var all []string
	for _, table := range []string{
		"aircraft", "engines", "components", "requirements", "accomplishments", "due_items", "fittings", "versions", "imported_rows", "record_chain", "outbox", "owned_subjects",
		"flown", "idempotency_keys", "used_proofs",
	} {
		all = append(all, fmt.Sprintf("%s %d", table, w.rows("SELECT COUNT(*) FROM "+table)))
	}
	return strings.Join(all, ", ")
}

// The wash: 50 h after 1,980:30, which a tolerance of 5 h does not move, or 3 months after 1 February; 2,000:15 flown leave 30:15. The
// directive: 100 h after 1,970 leave 69:45.
func TestAFleetWithItsRequirementsAndHistoryIsTakenIn(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for _, f := range fleetFiles {
			if got := w.taken(f.rows, f.file); got.GetImportedCount() != 2 || got.GetUnchangedCount() != 0 || len(got.GetNames()) != 2 {
				t.Errorf("%s: %v", f.rows, got)
			}
		}
		plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/bravo"}))(t)
		if plane.GetCounters().GetOperatingSeconds() != 1234*3600+1800 || plane.GetRegime() != compliancev1.Aircraft_FAA || plane.GetOwner() != "south" {
			t.Errorf("%v", plane)
		}
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/alpha-1"}))(t)
		if engine.GetAircraft() != "aircraft/alpha" || engine.GetPosition() != "1" || engine.GetCounters().GetOperatingSeconds() != 2000*3600+900 {
			t.Errorf("%v", engine)
		}
		for item, want := range map[string]int64{"wash-50": 30*3600 + 900, "ad-1": 69*3600 + 2700} {
			got := must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/" + item + ".alpha-1"}))(t)
			if left := got.GetRemaining()[0]; left.GetUnit() != compliancev1.IntervalLimit_HOURS || left.GetLeft() != want {
				t.Errorf("%s: %v", item, got)
			}
		}
		if never := w.rows("SELECT COUNT(*) FROM due_items WHERE name = 'dueItems/ad-1.spare'"); never != 0 {
			t.Error("a directive for another serial number is held against the spare")
		}
		list := must(w.queries.ListAccomplishments(w.as("viewer"), &compliancev1.ListAccomplishmentsRequest{Parent: "requirements/wash-50"}))(t)
		done := list.GetAccomplishments()[0]
		if done.GetCertifier() != "people/ada" || done.GetContentHash() == "" || done.GetLateEntryReason() != "before the suite" || done.GetWorkOrder() != "" {
			t.Errorf("%v", done)
		}
		if n := w.rows("SELECT COUNT(*) FROM outbox WHERE type = 'coldsection.compliance.due.recalculated.v1'"); n != 2 {
			t.Errorf("%d facts that a record moved an item", n)
		}
	})
}

// The same file again is no change, whatever the order of its columns or its format; the same id with another value is refused.
func TestATableTakenAgainChangesNothingAndSaysSo(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for _, f := range fleetFiles {
			w.taken(f.rows, f.file)
		}
		before := w.everyTable()
		for _, f := range fleetFiles {
			for _, file := range []string{f.file, asWorkbook(t, f.file)} {
				if got := w.taken(f.rows, file); got.GetImportedCount() != 0 || got.GetUnchangedCount() != 2 || len(got.GetNames()) != 0 {
					t.Errorf("%s: %v", f.rows, got)
				}
			}
		}
		if after := w.everyTable(); after != before {
			t.Errorf("before %s\nafter  %s", before, after)
		}
		got := must(w.imports(compliancev1.FleetRows_AIRCRAFT, strings.Replace(planesCSV, "4321.6", "4321.7", 1)))(t)
		if len(got.GetFaults()) != 1 || got.GetFaults()[0].GetReason() != "ALREADY_EXISTS" || got.GetFaults()[0].GetLine() != 2 || got.GetFaults()[0].GetColumn() != "aircraft_id" {
			t.Errorf("%v", got)
		}
	})
}

// asWorkbook is a table as XLSX with its columns in reverse order.
func asWorkbook(t testing.TB, file string) string {
	t.Helper()
	table := must(sheet.Read([]byte(file), sheet.CSV, sheet.Options{}))(t)
	var columns []sheet.Column
	for _, name := range slices.Backward(table.Header) {
		columns = append(columns, sheet.Column{Name: name})
	}
	var out bytes.Buffer
	w := must(sheet.NewWriter(&out, sheet.XLSX, columns))(t)
	for _, r := range table.Rows {
		cells := slices.Clone(r.Cells)
		slices.Reverse(cells)
		for i := range cells {
			if strings.HasSuffix(cells[i], ",5") || strings.HasSuffix(cells[i], ",0") { // a workbook has no decimal comma
				cells[i] = strings.Replace(cells[i], ",", ".", 1)
			}
		}
		if err := w.Write(cells...); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// rowFault is what a test expects of a row.
type rowFault struct {
	line           int32
	column, reason string
}

// wrongTables are tables with faults of every kind: cells, the contract's rules, references and the rules of the methods for one.
func (w *world) wrongTables() map[compliancev1.FleetRows]struct {
	file string
	want []rowFault
} {
	return map[compliancev1.FleetRows]struct {
		file string
		want []rowFault
	}{
		compliancev1.FleetRows_AIRCRAFT: {
			"aircraft_id,registration,regime,operating_hours,time_zone,owner,cycles\ngood,DEMO-G,EASA,1,,,1\nBAD ID,DEMO-X,EASA,1,,,1\ntwo,,EASA,1,,,1\n" +
				"three,DEMO-3,MARS,1,,,1\nfour,DEMO-4,EASA,41.6667,,,1\nfive,DEMO-5,EASA,1,Nowhere/Land,,1\nsix,DEMO-6,EASA,-1,,,1\nplane,DEMO-7,EASA,1,,,1\n" +
				"eight,DEMO-8,EASA,1,,Not An Owner,1\nnine,DEMO-9,EASA,900:75,,,1\nten,DEMO-10,EASA,5230,,,\neleven,DEMO-11,EASA,,,,700\ntwelve,DEMO-12,EASA,1,Local,,1\nthirteen,DEMO-13,EASA,,,,\n",
			[]rowFault{
				{3, "aircraft_id", "FIELD_INVALID"}, {4, "registration", "VALUE_MISSING"}, {5, "regime", "VALUE_INVALID"}, {6, "operating_hours", "VALUE_INVALID"},
				{7, "time_zone", "TIME_ZONE_UNKNOWN"}, {8, "operating_hours", "VALUE_INVALID"}, {9, "aircraft_id", "ALREADY_EXISTS"}, {10, "owner", "FIELD_INVALID"},
				{11, "operating_hours", "VALUE_NOT_A_NUMBER"}, {12, "cycles", "COUNTERS_MISSING"}, {13, "operating_hours", "COUNTERS_MISSING"},
				{14, "time_zone", "TIME_ZONE_UNKNOWN"}, {15, "operating_hours", "COUNTERS_MISSING"},
			},
		},
		compliancev1.FleetRows_ENGINES: {
			"engine_id,Serial no,engine_model,aircraft,position,install_date\n",
			nil,
		},
		compliancev1.FleetRows_COMPONENTS: {
			"component_id,part_number,serial,display_name,cycles,host,position,install_date,stay_engine_model,stay_install_cycles,stay_remove_cycles,stay_document\n" +
				"disc,P-1,S-1,Disc,10,,,,demo,5,4,log\nhub,P-2,S-2,Hub,1,engines/none,1,2026-03-01,,,,\nnut,P-3,S-3,Nut,1,engines/one,,,,,,\n" +
				"rim,P-4,S-4,Rim,9,,,,demo,0,4,log\nrim,,,,,,,,demo,4,9,\n",
			[]rowFault{
				{2, "stay_remove_cycles", "HISTORY_INVALID"}, {3, "host", "NOT_FOUND"}, {4, "position", "FIELD_INVALID"}, {4, "install_date", "FIELD_INVALID"},
				{6, "stay_document", "FIELD_INVALID"},
			},
		},
		compliancev1.FleetRows_REQUIREMENTS: {
			"requirement_id,code,title,kind,document,repeat_hours,tolerance_hours,terminates,engines\nnever,N-1,Never,INSPECTION,D,,,,\nstrict,S-1,Strict,DIRECTIVE,D,10,1,,\n" +
				"ends,E-1,Ends,INSPECTION,D,10,,requirements/unknown,\nzero,Z-1,Zero,INSPECTION,D,0,,,\nslip,S-2,Slip,DIRECTIVE,D,10,,,one;onw\n",
			[]rowFault{{2, "", "LIMIT_INVALID"}, {3, "", "TOLERANCE_NOT_ALLOWED"}, {4, "terminates", "NOT_FOUND"}, {5, "", "LIMIT_INVALID"}, {6, "engines", "SUBJECT_UNKNOWN"}},
		},
		compliancev1.FleetRows_LAST_DONE: {
			"source_id,requirement,subject,done_date,operating_hours,late_entry_reason\n1,check,engines/one,2026-02-30,1,why\n2,none,engines/one,2026-02-01,1,why\n" +
				"3,check,engines/none,2026-02-01,1,why\n4,check,engines/one,2027-01-01,1,why\n5,check,engines/one,2026-02-01,,why\n6,check,engines/one,2020-02-01,1,why\n",
			[]rowFault{
				{2, "done_date", "DATE_INVALID"}, {3, "requirement", "NOT_FOUND"}, {4, "subject", "NOT_FOUND"}, {5, "done_date", "DATE_IN_FUTURE"},
				{6, "operating_hours", "COUNTERS_MISSING"}, {7, "", "SECOND_PERSON_NEEDED"},
			},
		},
	}
}

// Check API-20: a dry run refuses what the run refuses, in the same words, and neither leaves a row anywhere.
func TestEveryFaultOfATableIsReportedAndNothingIsTaken(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		before := w.everyTable()
		for rows, c := range w.wrongTables() {
			if c.want == nil {
				_, err := w.imports(rows, c.file)
				refused(t, err, "HEADER_INVALID")
				continue
			}
			dry, live := must(w.imports(rows, c.file, dryly))(t), must(w.imports(rows, c.file))(t)
			var got []rowFault
			for _, f := range live.GetFaults() {
				got = append(got, rowFault{f.GetLine(), f.GetColumn(), f.GetReason()})
				if f.GetExplanation() == "" {
					t.Errorf("%v is not explained", f)
				}
			}
			slices.SortStableFunc(got, func(a, b rowFault) int { return int(a.line - b.line) })
			if !slices.Equal(got, c.want) {
				t.Errorf("%s: got  %v\nwant %v", rows, live.GetFaults(), c.want)
			}
			if live.String() != dry.String() || live.GetImportedCount() != 0 || len(live.GetNames()) != 0 {
				t.Errorf("%s: dry %v\nlive %v", rows, dry, live)
			}
		}
		for _, f := range fleetFiles[:1] {
			if got := must(w.imports(f.rows, f.file, dryly))(t); got.GetImportedCount() != 2 {
				t.Errorf("a dry run of a good table: %v", got)
			}
		}
		if after := w.everyTable(); after != before {
			t.Errorf("before %s\nafter  %s", before, after)
		}
	})
}

// What one entry of the past needs, a table of them needs too: quality, a fresh proof used once, and for long ago a second person.
func TestATableOfThePastIsSignedAsEachEntryIs(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		const head = "source_id,requirement,subject,done_date,operating_hours,late_entry_reason\n"
		recent, old := head+"1,check,engines/one,2026-02-01,990,why\n", head+"2,check,engines/one,2023-02-01,500,why\n3,check,engines/one,2023-03-01,600,why\n"
		_, err := w.exchange.ImportFleet(w.as("planner"), &compliancev1.ImportFleetRequest{Rows: compliancev1.FleetRows_LAST_DONE, Content: []byte(recent), ReauthenticationToken: w.proof()})
		refused(t, err, "ROLE_MISSING")
		_, err = w.imports(compliancev1.FleetRows_LAST_DONE, recent, func(r *compliancev1.ImportFleetRequest) { r.ReauthenticationToken = "" })
		refused(t, err, "REAUTHENTICATION_NEEDED")
		used := w.proof()
		same := func(r *compliancev1.ImportFleetRequest) { r.ReauthenticationToken = used }
		if got := must(w.imports(compliancev1.FleetRows_LAST_DONE, recent, same, dryly))(t); got.GetImportedCount() != 1 {
			t.Errorf("%v", got)
		}
		if got := must(w.imports(compliancev1.FleetRows_LAST_DONE, recent, same))(t); got.GetImportedCount() != 1 {
			t.Errorf("the dry run used the proof up: %v", got)
		}
		must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "bea", Person: &compliancev1.Person{DisplayName: "Bea"}}))(t)
		second := func(r *compliancev1.ImportFleetRequest) { r.SecondReauthenticationToken = w.proofOf("bea") }
		_, err = w.imports(compliancev1.FleetRows_LAST_DONE, old, same, second)
		refused(t, err, "REAUTHENTICATION_NEEDED")
		if got := must(w.imports(compliancev1.FleetRows_LAST_DONE, old, second))(t); got.GetImportedCount() != 2 {
			t.Errorf("%v", got)
		}
		all := must(w.queries.ListAccomplishments(w.as("viewer"), &compliancev1.ListAccomplishmentsRequest{Parent: "requirements/check", OrderBy: "done_date"}))(t).GetAccomplishments()
		if len(all) != 3 || all[0].GetSecondPerson() != "people/bea" || all[1].GetSecondPerson() != "people/bea" || all[2].GetSecondPerson() != "" {
			t.Errorf("%v", all)
		}
	})
}

// A component comes with its stays, one row each; one whose stays leave a gap is not fitted.
func TestAComponentIsTakenInWithEveryStay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		must(w.commands.CreateLifeLimit(w.as("quality"), &compliancev1.CreateLifeLimitRequest{LifeLimit: &compliancev1.LifeLimit{
			PartNumber: "P-1", EngineModel: "engineModels/demo", EffectiveDate: on(2010, 1, 1), Formula: compliancev1.LifeLimit_LOGGED_CYCLES, CycleLimit: 10000, Document: document,
		}}))(t)
		const head = "component_id,part_number,serial,name,life_limited,cycles,counters_date,host,position,install_date," +
			"stay_engine_serial,stay_engine_model,stay_install_cycles,stay_remove_cycles,stay_document,stay_remove_date\n"
		good := head + "disc,P-1,S-1,Disc,yes,3000,2026-03-01,engines/one,disc,2026-03-01,D-9,demo,0,1200,log 1,2019-05-01\ndisc,,,,,,,,,,D-8,demo,1200,3000,log 2,2026-02-01\n"
		if got := w.taken(compliancev1.FleetRows_COMPONENTS, good); got.GetImportedCount() != 2 || len(got.GetNames()) != 1 {
			t.Errorf("%v", got)
		}
		life := must(w.queries.GetLifeStatus(w.as("viewer"), &compliancev1.GetLifeStatusRequest{Name: "components/disc/lifeStatus"}))(t)
		if life.GetUsedCycles() != 3000 || life.GetRemainingCycles() != 7000 || life.GetHost() != "engines/one" || !life.GetTraceable() {
			t.Errorf("%v", life)
		}
		gap := head + "rim,P-1,S-2,Rim,yes,3000,2026-03-01,engines/one,rim,2026-03-01,D-9,demo,0,1200,log 1,2019-05-01\n"
		got := must(w.imports(compliancev1.FleetRows_COMPONENTS, gap))(t)
		if len(got.GetFaults()) != 1 || got.GetFaults()[0].GetReason() != "HISTORY_GAP" {
			t.Errorf("%v", got)
		}
	})
}

// The empty table has the columns that the contract names, and is taken as it is.
func TestTheTemplateHasTheColumnsOfTheContract(t *testing.T) {
	w := newWorld(t, storagetest.SQLite(t, store.Migrations()))
	contract := string(must(os.ReadFile("../../../../proto/coldsection/compliance/v1/exchange.proto"))(t))
	for name, n := range compliancev1.FleetRows_value {
		if n == 0 {
			continue
		}
		rows := compliancev1.FleetRows(n)
		_, rest, _ := strings.Cut(contract, fmt.Sprintf("  %s = %d;", compliancev1.FleetRows_name[n-1], n-1))
		comment, _, _ := strings.Cut(rest, fmt.Sprintf("  %s = %d;", name, n))
		words := strings.FieldsFunc(comment, func(r rune) bool { return r != '_' && (r < 'a' || r > 'z') && (r < '0' || r > '9') })
		for _, format := range []compliancev1.ExportFleetTemplateRequest_Format{compliancev1.ExportFleetTemplateRequest_CSV, compliancev1.ExportFleetTemplateRequest_XLSX} {
			file := must(w.exchange.ExportFleetTemplate(w.as("viewer"), &compliancev1.ExportFleetTemplateRequest{Rows: rows, Format: format}))(t)
			table := must(sheet.Read(file.GetContent(), sheet.Detect(file.GetContent()), sheet.Options{}))(t)
			for _, column := range table.Header {
				if !slices.Contains(words, column) {
					t.Errorf("the contract does not name the column %s of %s", column, name)
				}
			}
			if got := must(w.imports(rows, string(file.GetContent())))(t); len(table.Header) < 10 || got.GetImportedCount() != 0 || len(got.GetFaults()) != 0 {
				t.Errorf("%s: %d columns, %v", name, len(table.Header), got)
			}
			if file.GetFileName() == "" || file.GetMediaType() == "" {
				t.Errorf("%v", file)
			}
		}
	}
}

// Check API-21, as one call: 5,000 rows of the past with 7 bad ones give 7 faults and no row; put right, they are taken.
func TestFiveThousandRowsWithSevenBadOnes(t *testing.T) {
	w := newWorld(t, storagetest.SQLite(t, store.Migrations()))
	w.require("check", compliancev1.Requirement_INSPECTION, 100)
	var text strings.Builder
	text.WriteString("source_id,requirement,subject,done_date,operating_hours,late_entry_reason\n")
	for i := range 5000 {
		day := "2026-02-01"
		if i%800 == 100 {
			day = "2026-02-31"
		}
		fmt.Fprintf(&text, "row-%d,check,engines/one,%s,%d.5,why\n", i, day, i/10)
	}
	got := must(w.imports(compliancev1.FleetRows_LAST_DONE, text.String()))(t)
	if len(got.GetFaults()) != 7 || w.rows("SELECT COUNT(*) FROM accomplishments") != 0 {
		t.Fatalf("%v", got.GetFaults())
	}
	for i, f := range got.GetFaults() {
		if f.GetLine() != int32(102+800*i) || f.GetColumn() != "done_date" || f.GetReason() != "DATE_INVALID" {
			t.Errorf("%v", f)
		}
	}

	if got := w.taken(compliancev1.FleetRows_LAST_DONE, strings.ReplaceAll(text.String(), "02-31", "02-28")); got.GetImportedCount() != 5000 {
		t.Errorf("%d taken", got.GetImportedCount())
	}
	if last := w.item("check").GetLastDoneDate(); resource.DateText(last) != "2026-02-28" {
		t.Errorf("%v", last)
	}
	_, err := w.imports(compliancev1.FleetRows_LAST_DONE, text.String()+"one-more,check,engines/one,2026-02-01,1,why\n")
	refused(t, err, "TABLE_TOO_LARGE")
}
