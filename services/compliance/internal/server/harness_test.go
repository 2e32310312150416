package server_test

import (
	"bytes"
	"context"
	"log/slog"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/server"
	"coldsection.example/services/compliance/internal/store"
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

// start is the first day of every test here.
var start = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// world is the service on a fresh database, called through its whole chain, with one aircraft, its engine and one person.
type world struct {
	t        testing.TB
	db       *storage.DB
	clock    *clock.Fake
	keys     *auth.Keys
	commands compliancev1.ComplianceServiceClient
	queries  compliancev1.ComplianceQueryServiceClient
	gates    compliancev1.GateServiceClient
	planning compliancev1.PlanningServiceClient

	calendars compliancev1.CalendarServiceClient
	visits    compliancev1.VisitsServiceClient
	exchange  compliancev1.ExchangeServiceClient

	packs      compliancev1.RecordPackServiceClient
	operations operationsv1.OperationsServiceClient
	owner      compliancev1.OwnerRecordServiceClient
	app        *app.App

	conn       grpc.ClientConnInterface
	neighbours *neighbours
	restarted  func() *app.App // the use cases on the same database, as after a restart
}

// onEngines runs a test on a fresh world of each database engine.
func onEngines(t *testing.T, fn func(t *testing.T, w *world)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		t.Helper()
		fn(t, newWorld(t, db))
	})
}

func newWorld(t testing.TB, db *storage.DB) *world {
	t.Helper()
	secret := bytes.Repeat([]byte("k"), 32)
	keys, err := auth.NewKeys(secret)
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, db: db, clock: clock.NewFake(start), keys: keys, neighbours: &neighbours{}}
	source := &ids.Sequence{Prefix: "id"}
	s, err := rpc.NewServer(rpc.Deps{Clock: w.clock, IDs: source, Keys: keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	w.restarted = func() *app.App {
		others := w.neighbours.dial(t, w.clock, keys)
		a := &app.App{
			DB: db, Clock: w.clock, IDs: source, Lister: listing.New(secret), Keys: keys, Neighbours: app.Neighbours{WorkOrders: others, Consumables: others},
			Judge: server.Judge,
		}
		a.OpenOperations(nil)
		return a
	}
	w.app = w.restarted()
	server.Register(s, w.app)
	w.conn = rpctest.Dial(t, s, rpc.Caller{Keys: keys, Clock: w.clock, Patience: 10 * time.Minute}) // the machine may be busy
	w.commands, w.queries = compliancev1.NewComplianceServiceClient(w.conn), compliancev1.NewComplianceQueryServiceClient(w.conn)
	w.gates, w.planning = compliancev1.NewGateServiceClient(w.conn), compliancev1.NewPlanningServiceClient(w.conn)
	w.calendars, w.visits = compliancev1.NewCalendarServiceClient(w.conn), compliancev1.NewVisitsServiceClient(w.conn)
	w.exchange = compliancev1.NewExchangeServiceClient(w.conn)
	w.packs, w.operations = compliancev1.NewRecordPackServiceClient(w.conn), operationsv1.NewOperationsServiceClient(w.conn)
	w.owner = compliancev1.NewOwnerRecordServiceClient(w.conn)
	w.settle()
	return w
}

// as is the context of somebody with these roles, who is the person ada.
func (w *world) as(roles ...string) context.Context {
	return auth.NewContext(w.t.Context(), auth.Identity{Account: "accounts/ada", Person: "people/ada", Roles: roles, Kind: auth.Human})
}

var counters = &compliancev1.Counters{OperatingSeconds: 1000 * 3600, Cycles: 800, Starts: 820}

func (w *world) settle() {
	w.t.Helper()
	must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "ada", Person: &compliancev1.Person{DisplayName: "Ada"}}))(w.t)
	must(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: "plane", Aircraft: &compliancev1.Aircraft{
		Registration: "DEMO-1", Regime: compliancev1.Aircraft_EASA, Counters: counters, CountersDate: on(2026, 3, 1),
		FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 2.5, CyclesPerDay: 2},
	}}))(w.t)
	must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "one", Engine: &compliancev1.Engine{
		Serial: "D-1001", EngineModel: "engineModels/demo", Counters: counters, CountersDate: on(2026, 3, 1),
	}}))(w.t)
	must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
		Name: "engines/one", Aircraft: "aircraft/plane", Position: "1", InstallDate: on(2026, 3, 1),
	}))(w.t)
}

// require adds a requirement of the demonstration model, due every so many hours, with a tolerance of 10 h when it may have one.
func (w *world) require(id string, kind compliancev1.Requirement_Kind, hours int64) {
	w.t.Helper()
	r := &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: kind, Document: document, Rebase: compliancev1.Requirement_FROM_DUE_IF_LATE,
		Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/demo"}},
		Repeat:        &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_HOURS, Amount: hours * 3600}}},
	}
	if kind != compliancev1.Requirement_DIRECTIVE && kind != compliancev1.Requirement_LIFE_LIMIT {
		r.Tolerance = &compliancev1.Tolerance{OperatingSeconds: 10 * 3600, Document: document}
	}
	must(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: r}))(w.t)
}

var document = &commonv1.DocumentReference{Title: "Demonstration programme", Revision: "1"}

// done records that a requirement was done at so many hours.
func (w *world) done(id string, hours int64, day *date.Date) {
	w.t.Helper()
	must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/" + id, ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: "engines/one", DoneDate: day, Counters: &compliancev1.Counters{OperatingSeconds: hours * 3600}, LateEntryReason: "before the suite",
		},
	}))(w.t)
}

// proof is a fresh re-authentication of ada.
func (w *world) proof() string { return w.proofOf("ada") }

func (w *world) proofOf(person string) string {
	w.t.Helper()
	token, err := w.keys.MintProof(auth.Reauth{Account: "accounts/" + person, Person: "people/" + person, ID: ids.System().New(), At: w.clock.Now(), Method: "password"})
	if err != nil {
		w.t.Fatal(err)
	}
	return token
}

// fly records hours of today.
func (w *world) fly(hours int64) *compliancev1.Utilization {
	w.t.Helper()
	now := w.clock.Now()
	return must(w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{
		Parent: "aircraft/plane", Utilization: &compliancev1.Utilization{
			FlightDate: on(now.Year(), int(now.Month()), now.Day()), FlownSeconds: hours * 3600, Cycles: 1,
		},
	}))(w.t)
}

func (w *world) item(id string) *compliancev1.DueItem {
	w.t.Helper()
	return must(w.queries.GetDueItem(w.as("viewer"), &compliancev1.GetDueItemRequest{Name: "dueItems/" + id + ".one"}))(w.t)
}

// rows counts the rows of a table.
func (w *world) rows(query string, args ...any) (n int64) {
	w.t.Helper()
	if err := w.db.View(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, query, args...).Scan(&n)
	}); err != nil {
		w.t.Fatal(err)
	}
	return n
}

// exec changes the database behind the service's back.
func (w *world) exec(query string, args ...any) {
	w.t.Helper()
	if err := w.db.Update(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, query, args...)
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
}

func day(t time.Time) *date.Date { return on(t.Year(), int(t.Month()), t.Day()) }

func on(year, month, day int) *date.Date {
	return &date.Date{Year: int32(year), Month: int32(month), Day: int32(day)}
}

// must is the answer; without one the test ends here.
func must[T any](answer T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
}

func refused(t testing.TB, err error, reason string) {
	t.Helper()
	if !fault.HasReason(err, reason) {
		t.Errorf("got %v, want %s", err, reason)
	}
}
