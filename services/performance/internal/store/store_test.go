package store_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var now = time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)

func update(t *testing.T, db *storage.DB, fn storage.Func) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// One resource of every table comes back as it was kept, and not twice.
func TestEveryTableKeepsWhatItGets(t *testing.T) {
	at := timestamppb.New(now)
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			keeps(ctx, t, tx, store.Models, &performancev1.EngineModel{Name: "engineModels/a", DisplayName: "a", Revision: 2})
			keeps(ctx, t, tx, store.Readings, &performancev1.Reading{Name: "engines/e/readings/r", ReadTime: at, Source: "log", SourceId: "1"})
			keeps(ctx, t, tx, store.Events, &performancev1.EngineEvent{Name: "engines/e/events/w", EventTime: at, WorkOrder: "workOrders/o"})
			keeps(ctx, t, tx, store.Assessments, &performancev1.Assessment{Name: "engines/e/assessment", EngineSerial: "S1", Summary: "clean"})
			keeps(ctx, t, tx, store.Advices, &performancev1.WashAdvice{Name: "engines/e/washAdvices/c1", AdviseTime: at, Reasons: []string{"rose"}})
			keeps(ctx, t, tx, store.Recoveries, &performancev1.Recovery{Name: "engines/e/recoveries/w", WashTime: at, Explanation: "fell"})
			keeps(ctx, t, tx, store.Exceedances, &performancev1.EngineExceedance{Name: "engines/e/engineExceedances/x", ExceedTime: at, Chart: "itt"})
			return nil
		})
	})
}

// table is what every table of resources can do.
type table[T proto.Message] interface {
	Insert(ctx context.Context, tx *storage.Tx, m T, now time.Time) error
	Get(ctx context.Context, tx *storage.Tx, name string) (T, error)
	Save(ctx context.Context, tx *storage.Tx, m T, now time.Time) error
}

func keeps[T interface {
	proto.Message
	GetName() string
}](ctx context.Context, t *testing.T, tx *storage.Tx, in table[T], m T) {
	t.Helper()
	if err := in.Insert(ctx, tx, m, now); err != nil {
		t.Fatalf("%s: %v", m.GetName(), err)
	}
	if got, err := in.Get(ctx, tx, m.GetName()); err != nil || !proto.Equal(got, m) {
		t.Errorf("%s: kept %v, got %v, %v", m.GetName(), m, got, err)
	}
	if err := in.Save(ctx, tx, m, now.Add(time.Hour)); err != nil {
		t.Errorf("%s: saving: %v", m.GetName(), err)
	}
	if _, err := in.Get(ctx, tx, m.GetName()+"-none"); !fault.HasReason(err, "NOT_FOUND") {
		t.Errorf("%s: what is not there answers %v", m.GetName(), err)
	}
}

// A trace comes back as it was kept; it is kept once, and none of an exceedance without one is made up.
func TestTheTraceOfAnExceedance(t *testing.T) {
	trace := &performancev1.ExceedanceTrace{UnitCode: "Cel", Samples: []*performancev1.TraceSample{{OffsetSeconds: -1, Value: 700}, {OffsetSeconds: 2.5, Value: 840.5}}}
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			if err := store.KeepTrace(ctx, tx, "engines/e/engineExceedances/x", trace); err != nil {
				return err
			}
			got, err := store.TraceOf(ctx, tx, "engines/e/engineExceedances/x")
			if err != nil || !proto.Equal(got, trace) {
				t.Errorf("%v, %v", got, err)
			}
			if none, err := store.TraceOf(ctx, tx, "engines/e/engineExceedances/x1"); !errors.Is(err, storage.ErrNoRows) {
				t.Errorf("a trace that was never kept: %v, %v", none, err)
			}
			return nil
		})
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			return store.KeepTrace(ctx, tx, "engines/e/engineExceedances/x", &performancev1.ExceedanceTrace{UnitCode: "K"})
		})
		if err == nil {
			t.Error("a trace was written over")
		}
	})
}

func TestReadingsOfOneEngineOnly(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for i, engine := range []string{"engines/e", "engines/e1", "engines/e", "engines/d"} {
				r := &performancev1.Reading{Name: fmt.Sprintf("%s/readings/r%d", engine, i), ReadTime: timestamppb.New(now.Add(time.Duration(-i) * time.Hour))}
				if err := store.Readings.Insert(ctx, tx, r, now); err != nil {
					return err
				}
			}
			condition, args := store.Under("engines/e")
			found, err := store.Readings.Where(ctx, tx, condition+" ORDER BY read_time", args...)
			if err != nil || len(found) != 2 || found[0].GetName() != "engines/e/readings/r2" || found[1].GetName() != "engines/e/readings/r0" {
				t.Errorf("got %v, %v", found, err)
			}
			return nil
		})
	})
}

func TestEnginesAreFoundByNameAndSerial(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for _, p := range []store.Profile{{"engines/e", "S1", "engineModels/a"}, {"engines/e", "S2", "engineModels/b"}} {
				if err := store.SaveProfile(ctx, tx, p); err != nil {
					return err
				}
			}
			for key, want := range map[string]bool{"engines/e": true, "S2": true, "S1": false, "": false} {
				p, ok, err := store.FindProfile(ctx, tx, key)
				if err != nil || ok != want || ok && p != (store.Profile{"engines/e", "S2", "engineModels/b"}) {
					t.Errorf("%q: %+v, %v, %v", key, p, ok, err)
				}
			}
			return nil
		})
	})
}

// A refused use case leaves nothing behind.
func TestAFailedTransactionKeepsNothing(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if err := store.Models.Insert(ctx, tx, &performancev1.EngineModel{Name: "engineModels/a"}, now); err != nil {
				return err
			}
			return fault.Missing("engines/e")
		})
		if !fault.HasReason(err, "NOT_FOUND") {
			t.Fatal(err)
		}
		if _, err := store.Models.Read(t.Context(), db, "engineModels/a"); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("it is there: %v", err)
		}
	})
}
