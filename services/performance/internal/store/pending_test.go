package store_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Readings that wait are those that came since the earliest note, oldest reading first; whoever takes the note away leaves nothing for another.
func TestWhatWaitsToBeWorkedOut(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for i, hours := range []int{1, 3, 2} { // read so many hours ago, each came a minute after the other
				r := &performancev1.Reading{Name: fmt.Sprintf("engines/e/readings/r%d", i), ReadTime: timestamppb.New(now.Add(time.Duration(-hours) * time.Hour))}
				if err := store.Readings.Insert(ctx, tx, r, now.Add(time.Duration(i)*time.Minute)); err != nil {
					return err
				}
			}
			for _, note := range []struct {
				engine  string
				minutes int
			}{{"engines/f", 0}, {"engines/e", 2}, {"engines/e", 1}, {"engines/e", 5}} {
				if err := store.Pend(ctx, tx, note.engine, now.Add(time.Duration(note.minutes)*time.Minute)); err != nil {
					return err
				}
			}
			waiting, err := store.Pending(ctx, tx)
			if err != nil || !slices.Equal(waiting, []string{"engines/e", "engines/f"}) {
				t.Errorf("%v wait, %v", waiting, err)
			}
			for expected, want := range map[int]bool{1: false, 3: false} {
				if done, err := store.UnpendIf(ctx, tx, "engines/e", expected); err != nil || done != want {
					t.Errorf("as if %d had come: %v, %v", expected, done, err)
				}
			}
			found, err := store.Unpend(ctx, tx, "engines/e")
			if err != nil || len(found) != 2 || found[0].GetName() != "engines/e/readings/r1" || found[1].GetName() != "engines/e/readings/r2" {
				t.Errorf("%v, %v", found, err)
			}
			if again, err := store.Unpend(ctx, tx, "engines/e"); err != nil || len(again) != 0 {
				t.Errorf("a second time: %v, %v", again, err)
			}
			if done, err := store.UnpendIf(ctx, tx, "engines/e", 0); err != nil || done {
				t.Errorf("of an engine that does not wait: %v, %v", done, err)
			}
			if err := store.Pend(ctx, tx, "engines/e", now.Add(time.Minute)); err != nil {
				return err
			}
			if done, err := store.UnpendIf(ctx, tx, "engines/e", 2); err != nil || !done {
				t.Errorf("as many as came: %v, %v", done, err)
			}
			waiting, err = store.Pending(ctx, tx)
			if err != nil || !slices.Equal(waiting, []string{"engines/f"}) {
				t.Errorf("%v wait still, %v", waiting, err)
			}
			return nil
		})
	})
}

// What the analysis knows of an engine is empty at first and comes back as it was written, and who only looks writes nothing.
func TestWhatTheAnalysisKnows(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			if basis, body, err := store.Tracker(ctx, tx, "engines/e"); err != nil || basis != "" || len(body) != 0 {
				t.Errorf("before: %q, %v, %v", basis, body, err)
			}
			if basis, body, err := store.LockTracker(ctx, tx, "engines/e"); err != nil || basis != "" || len(body) != 0 {
				t.Errorf("at first: %q, %v, %v", basis, body, err)
			}
			if err := store.SaveTracker(ctx, tx, "engines/e", "8 engineModels/m@2", []byte{0, 1, 255}); err != nil {
				return err
			}
			for name, read := range map[string]func(context.Context, *storage.Tx, string) (string, []byte, error){"to change": store.LockTracker, "to look": store.Tracker} {
				if basis, body, err := read(ctx, tx, "engines/e"); err != nil || basis != "8 engineModels/m@2" || !bytes.Equal(body, []byte{0, 1, 255}) {
					t.Errorf("%s: %q, %v, %v", name, basis, body, err)
				}
			}
			return nil
		})
	})
}

// An engine is untouched until it has a reading or an event; another whose name begins alike touches it not.
func TestUntouchedEngines(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			at := timestamppb.New(now)
			if err := store.Readings.Insert(ctx, tx, &performancev1.Reading{Name: "engines/e1/readings/r", ReadTime: at}, now); err != nil {
				return err
			}
			if err := store.Events.Insert(ctx, tx, &performancev1.EngineEvent{Name: "engines/e2/engineEvents/w", EventTime: at}, now); err != nil {
				return err
			}
			for engine, want := range map[string]bool{"engines/e": true, "engines/e1": false, "engines/e2": false} {
				if got, err := store.Untouched(ctx, tx, engine); err != nil || got != want {
					t.Errorf("%s: %v, %v", engine, got, err)
				}
			}
			return nil
		})
	})
}

// A serial number belongs to the engine that was told last to have it; another that had it is found by its name until it is told anew.
func TestASerialNumberBelongsToOneEngine(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for _, p := range []store.Profile{{"engines/a", "S1", "engineModels/m"}, {"engines/b", "S2", "engineModels/m"}, {"engines/a", "S2", "engineModels/n"}} {
				if err := store.SaveProfile(ctx, tx, p); err != nil {
					return err
				}
			}
			for asked, want := range map[string]store.Profile{"S2": {"engines/a", "S2", "engineModels/n"}, "engines/b": {"engines/b", "", "engineModels/m"}, "S1": {}, "": {}} {
				if got, ok, err := store.FindProfile(ctx, tx, asked); err != nil || got != want || ok != (want.Name != "") {
					t.Errorf("%s: %+v, %v, %v", asked, got, ok, err)
				}
			}
			if of, err := store.ProfilesOf(ctx, tx, "engineModels/m"); err != nil || len(of) != 1 || of[0].Name != "engines/b" {
				t.Errorf("engines of the model: %v, %v", of, err)
			}
			return nil
		})
	})
}

// Where an engine was comes back in order of time and is replaced as a whole.
func TestWhereAnEngineWas(t *testing.T) {
	first, second := store.Fitting{"aircraft/x", "2026-01-05", "2026-03-01"}, store.Fitting{"aircraft/w", "2026-03-02", ""}
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for _, list := range [][]store.Fitting{nil, {second, first}, {second}} {
				if err := store.SaveFittings(ctx, tx, "engines/a", list); err != nil {
					return err
				}
				slices.Reverse(list)
				if got, err := store.FittingsOf(ctx, tx, "engines/a"); err != nil || !slices.Equal(got, list) {
					t.Errorf("%v, want %v, %v", got, list, err)
				}
			}
			return nil
		})
	})
}

// Each revision of a model is there as it was; one that never was is missing by its number.
func TestAModelAtItsRevisions(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			m := &performancev1.EngineModel{Name: "engineModels/m", DisplayName: "first", Revision: 1}
			if err := store.Models.Insert(ctx, tx, m, now); err != nil {
				return err
			}
			for _, name := range []string{"first", "second"} {
				if m.DisplayName = name; name == "second" {
					m.Revision = 2
				}
				if err := store.KeepRevision(ctx, tx, m); err != nil {
					return err
				}
			}
			if err := store.Models.Save(ctx, tx, m, now); err != nil {
				return err
			}
			for revision, want := range map[int32]string{0: "second", 1: "first", 2: "second"} {
				if got, err := store.ModelAt(ctx, tx, "engineModels/m", revision); err != nil || got.GetDisplayName() != want {
					t.Errorf("revision %d: %v, %v", revision, got, err)
				}
			}
			if _, err := store.ModelAt(ctx, tx, "engineModels/m", 3); !fault.HasReason(err, "NOT_FOUND") {
				t.Errorf("a revision that never was: %v", err)
			}
			return nil
		})
	})
}
