package server_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/performance/internal/server"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// morning is when every test begins.
var morning = time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)

const modelName, engineName = "engineModels/demo", "engines/one"

// register answers for compliance: it knows a few engines.
type register struct{}

var known = []*compliancev1.Engine{
	{Name: engineName, Serial: "DEMO-1", EngineModel: modelName},
	{Name: "engines/two", Serial: "DEMO-2", EngineModel: modelName},
	{Name: "engines/three", Serial: "DEMO-3", EngineModel: modelName},
	{Name: "engines/four", Serial: "DEMO-4", EngineModel: modelName},
}

func (register) GetEngine(_ context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error) {
	for _, e := range known {
		if req.GetName() == e.GetName() {
			return e, nil
		}
	}
	return nil, fault.Missing(req.GetName())
}

func (register) ListEngines(_ context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	for _, e := range known {
		if req.GetFilter() == fmt.Sprintf("serial = %q", e.GetSerial()) {
			return &compliancev1.ListEnginesResponse{Engines: []*compliancev1.Engine{e}}, nil
		}
	}
	return &compliancev1.ListEnginesResponse{}, nil
}

// fittings say that engines one and two have been on one aircraft since 2020.
func (register) ListFittings(_ context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	out := &compliancev1.ListFittingsResponse{}
	for _, e := range known[:2] {
		if req.GetFilter() == fmt.Sprintf("item = %q", e.GetName()) {
			out.Fittings = append(out.Fittings, &compliancev1.Fitting{Item: e.GetName(), Host: "aircraft/demo", InstallDate: &date.Date{Year: 2020, Month: 1, Day: 1}})
		}
	}
	return out, nil
}

// bench is engine performance as its callers see it: over gRPC, on a real database.
type bench struct {
	performancev1.PerformanceServiceClient
	performancev1.PerformanceQueryServiceClient
	performancev1.PerformanceCalculationServiceClient
	performancev1.ReadingsServiceClient
	performancev1.BaselineServiceClient
	performancev1.ExceedanceServiceClient
	operationsv1.OperationsServiceClient

	t     testing.TB
	db    *storage.DB
	clock *clock.Fake
	app   *app.App
}

// benches runs fn on each database engine with nothing in it.
func benches(t *testing.T, fn func(t *testing.T, b bench)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) { fn(t, benchOn(t, db)) })
}

// benchOn is engine performance on a database.
func benchOn(t testing.TB, db *storage.DB) bench {
	t.Helper()
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	now := clock.NewFake(morning)
	srv, err := rpc.NewServer(rpc.Deps{Clock: now, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	a := &app.App{DB: db, Clock: now, IDs: ids.System(), Lister: listing.New([]byte("secret")), Engines: register{}}
	a.OpenOperations(nil)
	server.Register(srv, a)
	conn := rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: now})
	return bench{
		performancev1.NewPerformanceServiceClient(conn), performancev1.NewPerformanceQueryServiceClient(conn),
		performancev1.NewPerformanceCalculationServiceClient(conn), performancev1.NewReadingsServiceClient(conn),
		performancev1.NewBaselineServiceClient(conn), performancev1.NewExceedanceServiceClient(conn), operationsv1.NewOperationsServiceClient(conn), t, db, now, a,
	}
}

// as is a call by somebody with a role.
func (b bench) as(role string) context.Context {
	return auth.NewContext(b.t.Context(), auth.Identity{Account: "accounts/" + role, Person: "people/" + role, Roles: []string{role}, Kind: auth.Human})
}

func (b bench) analyst() context.Context { return b.as("analyst") }

// withModel adds the demonstration model, changed as asked.
func (b bench) withModel(change func(*performancev1.EngineModel)) *performancev1.EngineModel {
	b.t.Helper()
	m := model(b.t)
	if change != nil {
		change(m)
	}
	return of(b.CreateEngineModel(b.analyst(), &performancev1.CreateEngineModelRequest{EngineModelId: "demo", EngineModel: m})).done(b.t)
}

func paper(title string) *commonv1.DocumentReference {
	return &commonv1.DocumentReference{Title: title + " (demonstration only)", Revision: "A"}
}

func in(text, unit string) *commonv1.Entered { return &commonv1.Entered{Text: text, UnitCode: unit} }

// table is the baseline of the invented engine A, from the cycle model.
func table(t testing.TB) []*performancev1.BaselinePoint {
	t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		t.Fatal(err)
	}
	var out []*performancev1.BaselinePoint
	last := cycle.Point{}
	for _, altitude := range []float64{0, 1500, 3000} {
		for _, warmer := range []float64{-20, 0, 20} {
			for _, np := range []float64{1500, 1700, 1900} {
				for _, share := range []float64{0.5, 0.7, 0.85, 1} {
					c := cycle.Standard(altitude, 0, warmer)
					c.PropellerSpeed = np
					p, err := engine.Solve(c, cycle.Health{}, cycle.Power(share*engine.DesignPower()*(1-altitude/15000)), last)
					if err != nil {
						t.Fatal(err)
					}
					last = p
					out = append(out, &performancev1.BaselinePoint{
						PressureAltitudeM: altitude, OatC: c.OAT, PropellerSpeedRpm: np, TorqueNm: p.Power / (np / 60 * 2 * 3.141592653589793), IttC: p.ITT, NgPct: p.Ng, FuelFlowKgH: p.Fuel,
					})
				}
			}
		}
	}
	return out
}

// model is invented engine data with everything that a calculation takes. For demonstration only.
func model(t testing.TB) *performancev1.EngineModel {
	t.Helper()
	return &performancev1.EngineModel{
		DisplayName: "Demonstration turboprop", DemonstrationOnly: true, Document: paper("Demonstration manual"),
		Baseline: &performancev1.Baseline{Points: table(t)},
		Limits:   []*performancev1.Limit{{Parameter: performancev1.Parameter_PARAMETER_ITT, MaxValue: 800, Condition: "continuous"}},
		Trim: &performancev1.TrimData{
			JunctionResistanceOhm: 4, Junctions: 8, Topology: performancev1.TrimData_ACROSS, Document: paper("Trim table"),
			Classes: []*performancev1.TrimClass{{Id: "100", ResistanceOhm: 100}, {Id: "50", ResistanceOhm: 50, ToleranceOhm: 1}, {Id: "20", ResistanceOhm: 20}},
		},
		Heater: &performancev1.HeaterData{RatedPowerW: 50, RatedVoltageV: 28, TolerancePct: 10, MinInsulationMohm: 2, MinBusVoltageV: 24, MaxBusVoltageV: 29},
		ExceedanceCharts: []*performancev1.ExceedanceChart{{
			Id: "itt-start", Parameter: performancev1.Parameter_PARAMETER_ITT, Condition: "start", ResetSeconds: 5, LongestGapSeconds: 10, Document: paper("Start chart"),
			Zones: []*performancev1.ExceedanceZone{zone("A", 1, 20, 805), zone("B", 2, 3, 830), zone("C", 3, 0, 870)},
		}},
	}
}

func zone(id string, severity int32, duration, value float64) *performancev1.ExceedanceZone {
	return &performancev1.ExceedanceZone{Id: id, Severity: severity, Action: "invented action " + id, Corners: []*performancev1.ZoneCorner{
		{DurationSeconds: duration, Value: value}, {DurationSeconds: 600, Value: value}, {DurationSeconds: 600, Value: 1000}, {DurationSeconds: duration, Value: 1000},
	}}
}

// facts counts what was told of a type.
func (b bench) facts(typ string) (n int) {
	b.t.Helper()
	err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT COUNT(*) FROM outbox WHERE type = $1", typ).Scan(&n)
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

type answer[T any] struct {
	value T
	err   error
}

func of[T any](value T, err error) answer[T] { return answer[T]{value, err} }

// done is the answer; without one the test ends here.
func (a answer[T]) done(t testing.TB) T {
	t.Helper()
	if a.err != nil {
		t.Fatal(a.err)
	}
	return a.value
}

// refused checks the reason of a refusal.
func (a answer[T]) refused(t testing.TB, reason string) {
	t.Helper()
	if !fault.HasReason(a.err, reason) {
		t.Errorf("got %v, want %s", a.err, reason)
	}
}

// line is a line of an explanation.
func line(t *testing.T, steps []*commonv1.Explained, label string) *commonv1.Explained {
	t.Helper()
	for _, s := range steps {
		if s.GetLabel() == label {
			return s
		}
	}
	t.Fatalf("no line %q in %v", label, steps)
	return nil
}
