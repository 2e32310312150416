package server_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/performance/internal/events"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// hear lets a fact of another service take effect, as the consumer does.
func (b bench) hear(a *app.App, typ string, fact proto.Message) error {
	b.t.Helper()
	message := eventbus.Message{Event: outbox.Event{ID: ids.System().New(), Type: typ, Time: b.clock.Now(), Data: of(protojson.Marshal(fact)).done(b.t)}}
	effect, err := events.Consumer(a).Handle(b.t.Context(), message)
	if err != nil || effect == nil {
		return err
	}
	return b.db.Update(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return effect(ctx, tx) })
}

func motoring(run string, beyond bool) *workordersv1.MotoringRecorded {
	r := &workordersv1.MotoringRun{Name: "workOrders/w/motoringRuns/" + run, StartTime: stampAt(2), EndTime: stampAt(1), Exceedance: beyond, Person: "people/technician"}
	if beyond {
		r.ExceedanceText = "The run took 60 s; at most 30 s are allowed."
	}
	return &workordersv1.MotoringRecorded{WorkOrder: "workOrders/w", Engine: engineName, MotoringRun: r}
}

// A run within its limits is none; one beyond is recorded once however often the fact comes.
func TestAMotoringRunBeyondItsLimitsIsAnExceedance(t *testing.T) {
	const typ = "coldsection.workorder.motoring.recorded.v1"
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for _, fact := range []*workordersv1.MotoringRecorded{motoring("a", false), motoring("b", true), motoring("b", true)} {
			if err := b.hear(b.app, typ, fact); err != nil {
				t.Fatal(err)
			}
		}
		found := b.exceedances(`source = "MOTORING"`)
		if len(found) != 1 || b.facts(recordedFact) != 1 {
			t.Fatalf("%v", found)
		}
		e := found[0]
		if e.GetVerdict() != performancev1.EngineExceedance_LIMIT_BROKEN || e.GetDuration().GetValue() != 3600 || e.GetWorkOrder() != "workOrders/w" ||
			e.GetExplanation() != "The run took 60 s; at most 30 s are allowed." || e.GetDocument().GetTitle() == "" || e.GetAction() == "" {
			t.Errorf("%v", e)
		}
		if now := b.assessment(); now.GetLevel() != performancev1.ConditionLevel_CONDITION_LEVEL_ACT {
			t.Errorf("%v", now)
		}
		of(b.CloseEngineExceedance(b.as("quality"), b.closing(e))).done(t)
		if err := b.hear(b.app, typ, motoring("b", true)); err != nil || len(b.exceedances(`state = "OPEN"`)) != 0 {
			t.Errorf("the fact opened a closed one again: %v", err)
		}
	})
}

// Before its engine has a model the run is kept all the same, and can be closed.
func TestAMotoringRunOfAnEngineWithoutAModel(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		if err := b.hear(b.app, "coldsection.workorder.motoring.recorded.v1", motoring("b", true)); err != nil {
			t.Fatal(err)
		}
		found := b.exceedances("")
		if len(found) != 1 {
			t.Fatalf("%v", found)
		}
		of(b.CloseEngineExceedance(b.as("quality"), b.closing(found[0]))).done(t)
	})
}

// moves is a register in which engine one hangs beside engine two on some aircraft, or that is away.
type moves struct {
	register

	aircraft string
	away     bool
}

var errAway = errors.New("compliance is away")

func (m moves) ListFittings(context.Context, *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	if m.away {
		return nil, errAway
	}
	return &compliancev1.ListFittingsResponse{Fittings: []*compliancev1.Fitting{{Host: m.aircraft, InstallDate: &date.Date{Year: 2020, Month: 1, Day: 1}}}}, nil
}

// A fact about an engine says where to look, not where it is: compliance is asked, and while it is away the fact waits.
func TestAnEngineFactAsksComplianceWhereTheEngineIs(t *testing.T) {
	const typ = "coldsection.engine.changed.v1"
	twin := func(b bench) (beside store.Beside, ok bool) {
		b.t.Helper()
		err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
			beside, ok, err = store.TwinOf(ctx, tx, engineName, time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC))
			return err
		})
		if err != nil {
			b.t.Fatal(err)
		}
		return beside, ok
	}
	benches(t, func(t *testing.T, b bench) {
		asking := func(r moves) *app.App { return &app.App{DB: b.db, Clock: b.clock, IDs: ids.System(), Engines: r} }
		one, two := &compliancev1.EngineChanged{Engine: engineName, Owner: "owners/a"}, &compliancev1.EngineChanged{Engine: "engines/two", Owner: "owners/a"}
		for _, fact := range []*compliancev1.EngineChanged{one, two, one} {
			if err := b.hear(asking(moves{aircraft: "aircraft/x"}), typ, fact); err != nil {
				t.Fatal(err)
			}
		}
		if beside, ok := twin(b); !ok || beside.Engine != "engines/two" {
			t.Errorf("%v, %v", beside, ok)
		}
		if err := b.hear(asking(moves{away: true}), typ, one); !errors.Is(err, errAway) {
			t.Errorf("got %v", err)
		}
		if _, ok := twin(b); !ok {
			t.Error("what was known is lost while compliance is away")
		}
		if err := b.hear(asking(moves{aircraft: "aircraft/y"}), typ, one); err != nil {
			t.Fatal(err)
		}
		if beside, ok := twin(b); ok {
			t.Errorf("the engine has moved, and %v is its twin still", beside)
		}
	})
}
