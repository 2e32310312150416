package scenarios

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"

	"coldsection.example/integration/fleetgen"
	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/clock"
)

// longDays is how long the engine of the long import has been flown: some five parts of the import's rows.
const longDays = 2600

// pause between two looks at an import leaves the processor to it.
const pause = 10 * time.Millisecond

// longLog is the log of one healthy engine that was invented, from years ago, with its model's baseline.
func longLog(t *testing.T) (serial string, content []byte, rows int64, model *performancev1.EngineModel) {
	t.Helper()
	fleet, err := fleetgen.Make(fleetgen.Config{
		Seed: 88, Days: longDays, Start: time.Date(2012, time.March, 1, 0, 0, 0, 0, time.UTC), Faults: []fleetgen.Fault{fleetgen.None}, Clean: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	b.WriteString("engine_serial,time_utc,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours\n")
	at := map[time.Time]bool{}
	for _, r := range fleet.Readings {
		if at[r.Time] { // the generator sends a row twice now and then
			continue
		}
		at[r.Time] = true
		fmt.Fprintf(&b, "%s,%s,%g,%g,%g,%g,%g,%g,%g,%g,%g\n", r.Serial, r.Time.Format(time.RFC3339), r.Altitude, r.OAT, r.Airspeed, r.Torque, r.Np, r.Ng, r.ITT, r.Fuel, r.Hours)
	}
	model = &performancev1.EngineModel{
		DisplayName: "Invented engine", DemonstrationOnly: true, Document: &commonv1.DocumentReference{Title: "Invented baseline (demonstration only)", Revision: "A"},
		Baseline: &performancev1.Baseline{},
	}
	for _, r := range fleet.Baseline {
		const foot, footPound, pound = 0.3048, 1.3558179483314004, 0.45359237 // m, N·m, kg
		model.Baseline.Points = append(model.Baseline.Points, &performancev1.BaselinePoint{
			PressureAltitudeM: r.Altitude * foot, OatC: r.OAT, AirspeedKt: r.Airspeed, PropellerSpeedRpm: r.Np, TorqueNm: r.Torque * footPound,
			IttC: r.ITT, NgPct: r.Ng, FuelFlowKgH: r.Fuel * pound,
		})
	}
	return fleet.Truth.Engines[0].Serial, b.Bytes(), int64(len(at)), model
}

// importer follows one long import.
type importer struct {
	t      *testing.T
	conn   *grpc.ClientConn
	who    *harness.Person
	engine string
	rows   int64 // of the table
	name   string
}

// now is the import as the suite has it now; a call waits for a process that is being started.
func (i *importer) now() (*longrunningpb.Operation, *operationsv1.OperationMetadata) {
	i.t.Helper()
	op, err := operationsv1.NewOperationsServiceClient(i.conn).GetOperation(i.who.Context(), &operationsv1.GetOperationRequest{Name: i.name}, grpc.WaitForReady(true))
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
		if op.GetDone() || far.GetDoneCount() >= i.rows {
			return far.GetDoneCount(), false
		}
		if far.GetDoneCount() > before {
			i.t.Logf("killed after %d of %d rows", far.GetDoneCount(), far.GetRowCount())
			return far.GetDoneCount(), true
		}
		<-clock.System().After(pause)
	}
}

// importing starts a long import into a fresh suite with one engine and its model.
func importing(t *testing.T, stage *harness.Stage) (i *importer, start func() string) {
	t.Helper()
	serial, content, rows, model := longLog(t)
	i = &importer{t: t, conn: stage.Conn(t), who: administrator(t, stage), engine: "engines/" + strings.ToLower(serial), rows: rows}
	must(t, i.who.REST("PATCH", "/v1/accounts/admin?updateMask=roles", map[string]any{"roles": []string{"admin", "planner", "analyst"}}))
	ctx := i.who.Context()
	made, err := performancev1.NewPerformanceServiceClient(i.conn).CreateEngineModel(ctx, &performancev1.CreateEngineModelRequest{EngineModelId: "invented", EngineModel: model})
	if err != nil {
		t.Fatal(err)
	}
	_, err = compliancev1.NewComplianceServiceClient(i.conn).CreateEngine(ctx, &compliancev1.CreateEngineRequest{
		EngineId: strings.ToLower(serial), Engine: &compliancev1.Engine{
			Serial: serial, EngineModel: made.GetName(), Counters: &compliancev1.Counters{}, CountersDate: &date.Date{Year: 2012, Month: 3, Day: 1},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	request := &performancev1.BulkImportReadingsRequest{Content: content, Source: "old log", RequestId: "3f0d9a52-5c3e-4b7e-9a40-0c4b8d1f2a77"}
	start = func() string {
		op, err := performancev1.NewReadingsServiceClient(i.conn).BulkImportReadings(i.who.Context(), request, grpc.WaitForReady(true))
		if err != nil {
			t.Fatal(err)
		}
		return op.GetName()
	}
	i.name = start()
	return i, start
}

// The process is killed in the middle of a long import, once more while it goes on unless that was over first, and started again each
// time: the import ends by itself, and every row is there exactly once.
func TestALongImportGoesOnAfterKills(t *testing.T) {
	stage := harness.OneProcess(t)
	i, start := importing(t, stage)
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
		<-clock.System().After(pause)
	}
	result := &performancev1.ImportReadingsResponse{}
	if err := op.GetResponse().UnmarshalTo(result); err != nil {
		t.Fatalf("%v: %v", op, err)
	}
	if int64(result.GetRowsTotal()) != i.rows || int64(result.GetRowsTaken()) != i.rows || result.GetRowsKnown() != 0 {
		t.Errorf("%d rows, %d taken, %d known; problems: %.3v", result.GetRowsTotal(), result.GetRowsTaken(), result.GetRowsKnown(), result.GetProblems())
	}
	i.everyRowOnce()
}

// everyRowOnce reads all readings of the engine.
func (i *importer) everyRowOnce() {
	i.t.Helper()
	query := performancev1.NewPerformanceQueryServiceClient(i.conn)
	seen := map[int64]int{}
	request := &performancev1.ListReadingsRequest{Parent: i.engine, PageSize: 1000}
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
	if int64(len(seen)) != i.rows {
		i.t.Errorf("%d readings, not %d", len(seen), i.rows)
	}
}
