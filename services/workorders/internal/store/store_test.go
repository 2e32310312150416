package store_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
	"coldsection.example/services/workorders/internal/store"
)

var now = time.Date(2026, 3, 14, 8, 0, 0, 0, time.UTC)

// engines runs a test of the store on both engines, and change is a transaction that must commit.
func engines(t *testing.T, fn func(t *testing.T, db *storage.DB)) {
	t.Helper()
	storagetest.Engines(t, store.Migrations(), fn)
}

func change(t *testing.T, db *storage.DB, fn func(ctx context.Context, tx *storage.Tx) error) {
	t.Helper()
	if err := db.Update(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// kept is one resource of each kind that a table keeps, under its order where it has one.
func kept(order string) map[string]func(t *testing.T, db *storage.DB) {
	return map[string]func(t *testing.T, db *storage.DB){
		"stations":     same(store.Stations, &workordersv1.Station{Name: "stations/s", DisplayName: "Ramp", TimeZone: "UTC"}),
		"exposures":    same(store.Flown, &workordersv1.FlightExposure{Name: "flightExposures/f", Engine: "engines/e", Kind: workordersv1.FlightExposure_SALT, Source: "log"}),
		"cards":        same(store.Cards, &workordersv1.TaskCard{Name: "taskCards/c", DisplayName: "Card", Kind: workordersv1.TaskCard_OTHER, Revision: 1}),
		"regimes":      same(store.Regimes, &workordersv1.Regime{Name: "regimes/r", DisplayName: "General"}),
		"orders":       same(store.Orders, &workordersv1.WorkOrder{Name: "workOrders/other", Number: "WO-2", Engine: "engines/e", Assignees: []string{"people/a", "people/b"}}),
		"steps":        same(store.Steps, &workordersv1.Step{Name: order + "/steps/s01", Position: 1, Title: "Æther, 10 µm"}),
		"plans":        same(store.Plans, &workordersv1.WashPlan{Name: order + "/washPlan", Revision: 1, DryingOmissionCondition: "never"}),
		"measurements": same(store.Measured, &workordersv1.Measurement{Name: order + "/measurements/m", Key: "gap", Step: order + "/steps/s01"}),
		"runs":         same(store.Runs, &workordersv1.MotoringRun{Name: order + "/motoringRuns/r", Person: "people/a"}),
		"findings":     same(store.Findings, &workordersv1.Finding{Name: order + "/findings/f", Description: "dent", State: workordersv1.Finding_RAISED}),
		"labour":       same(store.Labour, &workordersv1.LabourEntry{Name: order + "/labourEntries/l", Person: "people/a"}),
		"attachments":  same(store.Attached, &workordersv1.Attachment{Name: order + "/attachments/a", MediaType: "image/png"}),
		"signatures":   same(store.Signatures, &commonv1.Signature{Name: order + "/signatures/s", Meaning: commonv1.Signature_PERFORMED, Person: "people/a"}),
	}
}

// same checks of a table that it gives back what it was given, once only under a name, and what was saved over it.
func same[T proto.Message](table *resource.Table[T], m T) func(t *testing.T, db *storage.DB) {
	return func(t *testing.T, db *storage.DB) {
		t.Helper()
		name := resource.Name(m)
		var first, second T
		change(t, db, func(ctx context.Context, tx *storage.Tx) error { return table.Insert(ctx, tx, m, now) })
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return table.Insert(ctx, tx, m, now) })
		if !fault.HasReason(err, "ALREADY_EXISTS") {
			t.Errorf("%s twice: %v", name, err)
		}
		change(t, db, func(ctx context.Context, tx *storage.Tx) (err error) {
			if first, err = table.Lock(ctx, tx, name); err != nil {
				return err
			}
			return table.Save(ctx, tx, first, now.Add(time.Minute))
		})
		second, err = table.Read(t.Context(), db, name)
		if err != nil || !proto.Equal(first, second) {
			t.Errorf("%s: saved %v, read %v, %v", name, first, second, err)
		}
		if _, err := table.Read(t.Context(), db, name+"-none"); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("%s that is not there: %v", name, err)
		}
	}
}

// Every table gives back what it was given, on both engines.
func TestEveryTableKeepsWhatItIsGiven(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			return store.Orders.Insert(ctx, tx, &workordersv1.WorkOrder{Name: "workOrders/w", Number: "WO-1", Engine: "engines/e"}, now)
		})
		for what, check := range kept("workOrders/w") {
			t.Run(what, func(t *testing.T) { check(t, db) })
		}
	})
}

// What lies under an order is found under it, and nothing of an order whose name begins alike.
func TestUnderAnOrderLiesItsOwnOnly(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for i, order := range []string{"w", "w-1", "w0", "ww", "v"} {
				for n := range 3 {
					s := &workordersv1.Step{Name: fmt.Sprintf("workOrders/%s/steps/s%02d", order, n+1), Position: int32(10*i + n)}
					if err := store.Steps.Insert(ctx, tx, s, now); err != nil {
						return err
					}
				}
			}
			condition, args := store.Under("workOrders/w/steps")
			steps, err := store.Steps.Where(ctx, tx, condition+" ORDER BY position", args...)
			var names []string
			for _, s := range steps {
				names = append(names, s.GetName())
			}
			if want := []string{"workOrders/w/steps/s01", "workOrders/w/steps/s02", "workOrders/w/steps/s03"}; !slices.Equal(names, want) {
				t.Errorf("under workOrders/w lie %v", names)
			}
			return err
		})
	})
}

// Orders that are drafted at one moment get one number each, none twice and none left out; a draft that is undone gives its number back.
func TestNumbersAreTakenOnce(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		var mu sync.Mutex
		var wait sync.WaitGroup
		var taken []int64
		for range 8 {
			wait.Go(func() {
				for range 5 {
					var n int64
					err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
						n, err = store.NextNumber(ctx, tx)
						return err
					})
					mu.Lock()
					if taken = append(taken, n); err != nil {
						t.Error(err)
					}
					mu.Unlock()
				}
			})
		}
		wait.Wait()
		slices.Sort(taken)
		for i, n := range taken {
			if n != int64(i+1) {
				t.Fatalf("the numbers are %v", taken)
			}
		}
		undone := fault.Precondition("UNDONE", "The draft is undone. Draft it again.")
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			if _, err := store.NextNumber(ctx, tx); err != nil {
				return err
			}
			return undone
		})
		if !fault.HasReason(err, "UNDONE") {
			t.Fatal(err)
		}
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			n, err := store.NextNumber(ctx, tx)
			if n != 41 {
				t.Errorf("after a draft that was undone comes %d", n)
			}
			return err
		})
	})
}

// An older revision is kept as it was, is not replaced, and is read by its number.
func TestOlderRevisionsStayAsTheyWere(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		card := func(revision int32) *workordersv1.TaskCard {
			return &workordersv1.TaskCard{Name: "taskCards/c", Revision: revision, DisplayName: fmt.Sprintf("Card %d", revision), Kind: workordersv1.TaskCard_OTHER}
		}
		change(t, db, func(ctx context.Context, tx *storage.Tx) error { return store.Cards.Insert(ctx, tx, card(1), now) })
		for revision := range int32(2) {
			change(t, db, func(ctx context.Context, tx *storage.Tx) error {
				if err := store.KeepRevision(ctx, tx, card(revision+1)); err != nil {
					return err
				}
				return store.Cards.Save(ctx, tx, card(revision+2), now)
			})
		}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return store.KeepRevision(ctx, tx, card(1)) }); err == nil {
			t.Error("a revision that is kept was kept anew")
		}
		for asked, want := range map[int32]string{0: "Card 3", 1: "Card 1", 2: "Card 2", 3: "Card 3"} {
			got, err := store.ReadRevision(t.Context(), db, store.Cards, "taskCards/c", asked)
			if err != nil || got.GetDisplayName() != want {
				t.Errorf("revision %d is %q, %v, want %q", asked, got.GetDisplayName(), err, want)
			}
		}
		if _, err := store.ReadRevision(t.Context(), db, store.Cards, "taskCards/c", 4); !fault.HasReason(err, "REVISION_UNKNOWN") {
			t.Errorf("revision 4: %v", err)
		}
		if _, err := store.ReadRevision(t.Context(), db, store.Cards, "taskCards/none", 1); !fault.HasReason(err, "NOT_FOUND") {
			t.Errorf("of no card: %v", err)
		}
	})
}

// Records of orders are kept: neither engine lets anybody delete them, or change what was attached. The same bytes are kept once.
func TestRecordsAreKept(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			return store.Orders.Insert(ctx, tx, &workordersv1.WorkOrder{Name: "workOrders/w", Number: "WO-1", Engine: "engines/e"}, now)
		})
		for what, check := range kept("workOrders/w") {
			if !slices.Contains([]string{"stations", "exposures", "cards", "regimes"}, what) {
				check(t, db)
			}
		}
		photo := []byte{0, 1, 2, 0xff}
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			if err := store.KeepRevision(ctx, tx, &workordersv1.TaskCard{Name: "taskCards/c", Revision: 1}); err != nil {
				return err
			}
			if err := store.KeepBytes(ctx, tx, "abc", photo); err != nil {
				return err
			}
			if err := store.KeepBytes(ctx, tx, "abc", photo); err != nil {
				return err
			}
			got, err := store.Bytes(ctx, tx, "abc")
			if !bytes.Equal(got, photo) {
				t.Errorf("%v", got)
			}
			return err
		})
		for _, table := range []string{
			"work_orders", "steps", "wash_plans", "measurements", "motoring_runs", "findings", "labour_entries", "signatures", "attachments", "attachment_bytes", "older_revisions",
		} {
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, "DELETE FROM "+table)
				return err
			})
			if err == nil || !strings.Contains(err.Error(), "records of orders are kept") {
				t.Errorf("deleting %s: %v", table, err)
			}
		}
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "UPDATE attachment_bytes SET content = $1", []byte("another"))
			return err
		})
		if err == nil || !strings.Contains(err.Error(), "never changed") && !strings.Contains(err.Error(), "are kept") {
			t.Errorf("changing what was attached: %v", err)
		}
	})
}

// A starter's runs of one engine wait for each other, whichever order they are on: what is read and written between is never torn.
func TestRunsOfOneStarterWaitForEachOther(t *testing.T) {
	engines(t, func(t *testing.T, db *storage.DB) {
		var wait sync.WaitGroup
		errs := make([]error, 6)
		for i := range errs {
			wait.Go(func() {
				errs[i] = db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
					if err := store.LockStarter(ctx, tx, "engines/e"); err != nil {
						return err
					}
					runs, err := store.Runs.Where(ctx, tx, "start_time >= $1", 0)
					if err != nil {
						return err
					}
					return store.Runs.Insert(ctx, tx, &workordersv1.MotoringRun{Name: fmt.Sprintf("workOrders/w%d/motoringRuns/r%d", i%2, len(runs))}, now)
				})
			})
		}
		wait.Wait()
		change(t, db, func(ctx context.Context, tx *storage.Tx) error {
			runs, err := store.Runs.Where(ctx, tx, "start_time >= $1 ORDER BY name", 0)
			seen := map[string]bool{}
			for _, r := range runs {
				seen[r.GetName()[strings.LastIndex(r.GetName(), "/r")+2:]] = true
			}
			if len(seen) != len(errs) || slices.ContainsFunc(errs, func(e error) bool { return e != nil }) {
				t.Errorf("runs that counted the ones before: %v, %v", runs, errs)
			}
			return err
		})
	})
}
