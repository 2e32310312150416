package scenarios

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"

	"coldsection.example/integration/harness"
)

// longRows is how many rows the long import has: some hours of operation from before the story.
const longRows = 6000

// longLog is a log of the demonstration's engine, an hour between its readings, of the values of no real engine.
func longLog() []byte {
	var b bytes.Buffer
	b.WriteString("engine_serial,time_utc,pressure_altitude_m,oat_c,airspeed_kt,torque_nm,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_kg_h\n")
	begin := time.Date(2024, time.March, 1, 0, 0, 0, 0, time.UTC)
	for i := range longRows {
		fmt.Fprintf(&b, "DEMO-4711,%s,3000,%d,160,%d,1700,%.1f,%d,%d\n", begin.Add(time.Duration(i)*time.Hour).Format(time.RFC3339), -5+i%7, 1700+i%50, 90+float64(i%9)/10, 600+i%11, 120+i%5)
	}
	return b.Bytes()
}

// importer follows one long import.
type importer struct {
	t     *testing.T
	stage *harness.Stage
	who   *harness.Person
	name  string
}

// now is the import as the suite has it now.
func (i *importer) now() (*longrunningpb.Operation, *operationsv1.OperationMetadata) {
	i.t.Helper()
	op, err := operationsv1.NewOperationsServiceClient(i.stage.Conn(i.t)).GetOperation(i.who.Context(), &operationsv1.GetOperationRequest{Name: i.name})
	if err != nil {
		i.t.Fatal(err)
	}
	far := &operationsv1.OperationMetadata{}
	if err := op.GetMetadata().UnmarshalTo(far); err != nil {
		i.t.Fatal(err)
	}
	return op, far
}

// middle waits until more rows are in than before and others are not; it reports false when the import was over first.
func (i *importer) middle(before int64) (rows int64, ok bool) {
	i.t.Helper()
	for {
		op, far := i.now()
		if op.GetDone() || far.GetDoneCount() >= longRows {
			return far.GetDoneCount(), false
		}
		if far.GetDoneCount() > before {
			i.t.Logf("killed after %d of %d rows", far.GetDoneCount(), far.GetRowCount())
			return far.GetDoneCount(), true
		}
	}
}

// The process is killed in the middle of a long import, once more while it goes on unless that was over first, and started again each
// time: the import ends by itself, and every row is there exactly once.
func TestALongImportGoesOnAfterKills(t *testing.T) {
	stage := harness.OneProcess(t)
	play(t, stage, nil)
	who := stage.SignIn(t, "analyst")
	request := &performancev1.BulkImportReadingsRequest{Content: longLog(), Source: "old log", RequestId: "3f0d9a52-5c3e-4b7e-9a40-0c4b8d1f2a77"}
	start := func() string {
		op, err := performancev1.NewReadingsServiceClient(stage.Conn(t)).BulkImportReadings(who.Context(), request)
		if err != nil {
			t.Fatal(err)
		}
		return op.GetName()
	}
	i := &importer{t: t, stage: stage, who: who, name: start()}
	rows, under := i.middle(0)
	if !under {
		t.Fatalf("the import was over before it could be killed, after %d rows", rows)
	}
	for range 2 {
		stage.Processes[0].Kill()
		stage.Processes[0].Again()
		if rows, under = i.middle(rows); !under {
			break
		}
	}
	if again := start(); again != i.name {
		t.Errorf("the same request after the kill is another import: %s, not %s", again, i.name)
	}
	op, far := i.now()
	for ; !op.GetDone(); op, far = i.now() {
		if t.Context().Err() != nil {
			t.Fatalf("the import does not go on: %v", far)
		}
	}
	result := &performancev1.ImportReadingsResponse{}
	if err := op.GetResponse().UnmarshalTo(result); err != nil {
		t.Fatalf("%v: %v", op, err)
	}
	if result.GetRowsTotal() != longRows || result.GetRowsTaken() != longRows || result.GetRowsKnown() != 0 {
		t.Errorf("%d rows, %d taken, %d known; problems: %.3v", result.GetRowsTotal(), result.GetRowsTaken(), result.GetRowsKnown(), result.GetProblems())
	}
	i.everyRowOnce()
}

// everyRowOnce reads all readings from before the story.
func (i *importer) everyRowOnce() {
	i.t.Helper()
	query := performancev1.NewPerformanceQueryServiceClient(i.stage.Conn(i.t))
	seen := map[int64]int{}
	request := &performancev1.ListReadingsRequest{Parent: "engines/demo-4711", PageSize: 1000, Filter: `read_time < "2025-01-01T00:00:00Z"`}
	for {
		page, err := query.ListReadings(i.who.Context(), request)
		if err != nil {
			i.t.Fatal(err)
		}
		for _, r := range page.GetReadings() {
			seen[r.GetReadTime().GetSeconds()]++
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	for at, n := range seen {
		if n != 1 {
			i.t.Errorf("the reading of %v is there %d times", time.Unix(at, 0).UTC(), n)
		}
	}
	if len(seen) != longRows {
		i.t.Errorf("%d readings, not %d", len(seen), longRows)
	}
}
