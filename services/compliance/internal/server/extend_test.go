package server_test

import (
	"bytes"
	"context"
	"log/slog"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/server"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

type world struct {
	t        *testing.T
	ctx      context.Context
	clock    *clock.Fake
	keys     *auth.Keys
	commands compliancev1.ComplianceServiceClient
	queries  compliancev1.ComplianceQueryServiceClient
}

// worlds serves compliance over gRPC on each engine, on 2025-06-01, with one engine of serial 1450.
func worlds(t *testing.T, fn func(w *world)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
		must(t, err)
		clk := clock.NewFake(time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC))
		s, err := rpc.NewServer(rpc.Deps{Clock: clk, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
		must(t, err)
		server.Register(s, &app.App{DB: db, Clock: clk, IDs: ids.System(), Lister: listing.New([]byte("secret")), Keys: keys})
		done := make(chan error, 1)
		go func() { done <- s.ServeMemory() }()
		t.Cleanup(func() {
			s.Stop(context.WithoutCancel(t.Context()))
			must(t, <-done)
		})
		conn, err := rpc.Caller{Keys: keys, Clock: clk}.DialMemory(s)
		must(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		ctx := auth.NewContext(t.Context(), auth.Identity{
			Account: "accounts/ada", Person: "people/ada", Roles: []string{"quality", "planner"}, Kind: auth.Human,
		})
		w := &world{t, ctx, clk, keys, compliancev1.NewComplianceServiceClient(conn), compliancev1.NewComplianceQueryServiceClient(conn)}
		_, err = w.commands.CreateEngine(ctx, &compliancev1.CreateEngineRequest{
			EngineId: "e", Engine: &compliancev1.Engine{Serial: "1450", EngineModel: "engineModels/demo", Counters: &compliancev1.Counters{OperatingSeconds: 900 * 3600}},
		})
		must(t, err)
		fn(w)
	})
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// requires adds a requirement of 30 days from 2025-05-01, so due on 2025-05-31, changed by edit.
func (w *world) requires(id string, edit func(r *compliancev1.Requirement)) {
	w.t.Helper()
	r := &compliancev1.Requirement{
		Code: id, DisplayName: id, Kind: compliancev1.Requirement_INSPECTION, Document: document(), Applicability: &compliancev1.Applicability{},
		EffectiveDate: day(2025, 5, 1), Initial: days(30), Repeat: days(30),
		Tolerance: &compliancev1.Tolerance{Days: 5, Document: document()},
	}
	edit(r)
	_, err := w.commands.CreateRequirement(w.ctx, &compliancev1.CreateRequirementRequest{RequirementId: id, Requirement: r})
	must(w.t, err)
}

func document() *commonv1.DocumentReference {
	return &commonv1.DocumentReference{Title: "Demonstration only", Revision: "1"}
}

func day(y, m, d int32) *date.Date { return &date.Date{Year: y, Month: m, Day: d} }

func days(n int64) *compliancev1.LimitTree {
	return &compliancev1.LimitTree{Limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_DAYS, Amount: n}}}
}

func (w *world) item(id string) *compliancev1.DueItem {
	w.t.Helper()
	got, err := w.queries.GetDueItem(w.ctx, &compliancev1.GetDueItemRequest{Name: "dueItems/" + id + ".e"})
	must(w.t, err)
	return got
}

func (w *world) extend(id string, n int32, stop *date.Date) error {
	_, err := w.commands.ExtendDueItem(w.ctx, &compliancev1.ExtendDueItemRequest{
		Name: "dueItems/" + id + ".e", Etag: w.item(id).GetEtag(),
		Extension: &compliancev1.Extension{Days: n, HardStopDate: stop, AuthorityReference: "PRG-1", Reason: "no hangar"},
	})
	return err
}

func (w *world) wantBand(id string, want compliancev1.DueItem_Band) {
	w.t.Helper()
	if got := w.item(id); got.GetBand() != want {
		w.t.Errorf("%s is %s, want %s: %s", id, got.GetBand(), want, got.GetExplanation())
	}
}

func TestAnExtensionIsGrantedOnceAndEnds(t *testing.T) {
	worlds(t, func(w *world) {
		w.requires("i", func(*compliancev1.Requirement) {})
		w.wantBand("i", compliancev1.DueItem_OVERDUE)
		if err := w.extend("i", 6, day(2025, 6, 10)); !fault.HasReason(err, "EXTENSION_TOO_LONG") {
			w.t.Error(err)
		}
		if w.item("i").GetExtension() != nil {
			w.t.Error("a refused extension left a trace")
		}
		must(w.t, w.extend("i", 5, day(2025, 6, 4)))
		w.wantBand("i", compliancev1.DueItem_DUE)
		if e := w.item("i").GetExtension(); e.GetPerson() != "people/ada" || e.GetGrantTime() == nil {
			w.t.Errorf("granted by %v", e)
		}
		if err := w.extend("i", 1, day(2025, 6, 10)); !fault.HasReason(err, "EXTENSION_NOT_ALLOWED") {
			w.t.Error(err)
		}
		w.clock.Advance(4 * 24 * time.Hour)
		w.wantBand("i", compliancev1.DueItem_OVERDUE)
	})
}

// TOL-08 and TOL-09: directives and limits of life are never extended here (14 CFR 39.7, 39.11 and 91.403(c)).
func TestWhatIsNeverExtended(t *testing.T) {
	worlds(t, func(w *world) {
		w.requires("d", func(r *compliancev1.Requirement) { r.Kind, r.Tolerance = compliancev1.Requirement_DIRECTIVE, nil })
		w.requires("l", func(r *compliancev1.Requirement) { r.Kind, r.Tolerance = compliancev1.Requirement_LIFE_LIMIT, nil })
		w.requires("n", func(r *compliancev1.Requirement) { r.Tolerance = nil })
		w.requires("u", func(r *compliancev1.Requirement) { r.Initial = nil })
		w.requires("p", func(*compliancev1.Requirement) {})
		for _, id := range []string{"d", "l", "n", "u"} {
			if err := w.extend(id, 1, day(2025, 6, 10)); !fault.HasReason(err, "EXTENSION_NOT_ALLOWED") {
				w.t.Errorf("%s: %v", id, err)
			}
		}
		for name, c := range map[string]struct {
			n    int32
			stop *date.Date
		}{"a hard stop that has passed": {1, day(2025, 5, 31)}, "nothing": {0, day(2025, 6, 10)}, "no such day": {1, day(2025, 2, 30)}} {
			if err := w.extend("p", c.n, c.stop); err == nil {
				w.t.Errorf("%s was taken", name)
			}
		}
	})
}

// DIR-13 and DIR-14 (AMC M.A.305(c)1(a)): a directive is superseded from the day that its successor takes effect, not before.
func TestSupersessionBeginsOnItsDay(t *testing.T) {
	worlds(t, func(w *world) {
		w.requires("b", func(r *compliancev1.Requirement) { r.EffectiveDate = day(2025, 6, 2) })
		w.requires("a", func(r *compliancev1.Requirement) { r.Successor = "requirements/b" })
		w.wantBand("a", compliancev1.DueItem_OVERDUE)
		w.clock.Advance(24 * time.Hour)
		w.wantBand("a", compliancev1.DueItem_EXEMPT)
	})
}

func TestUnknownIsNeverCompliant(t *testing.T) {
	worlds(t, func(w *world) {
		w.requires("m", func(r *compliancev1.Requirement) { r.Applicability.EmbodiedAny = []string{"MOD-1"} })
		w.requires("s", func(r *compliancev1.Requirement) { r.StartEvent = compliancev1.Requirement_OVERHAUL_DONE })
		w.wantBand("m", compliancev1.DueItem_NO_DATA)
		w.wantBand("s", compliancev1.DueItem_NO_DATA)
	})
}

// DIR-12: doing the terminating action ends the repeats of the named requirement.
func TestATerminatingActionEndsRepeats(t *testing.T) {
	worlds(t, func(w *world) {
		w.requires("r", func(*compliancev1.Requirement) {})
		w.requires("t", func(r *compliancev1.Requirement) { r.Terminates = "requirements/r" })
		w.wantBand("r", compliancev1.DueItem_OVERDUE)
		proof, err := w.keys.MintProof(auth.Reauth{Account: "accounts/ada", Person: "people/ada", ID: "one", At: w.clock.Now(), Method: "password"})
		must(w.t, err)
		_, err = w.commands.CreateAccomplishment(w.ctx, &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/t", ReauthenticationToken: proof, Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/e", DoneDate: day(2025, 5, 20), Counters: &compliancev1.Counters{OperatingSeconds: 1}, LateEntryReason: "from paper",
			},
		})
		must(w.t, err)
		w.wantBand("r", compliancev1.DueItem_EXEMPT)
	})
}
