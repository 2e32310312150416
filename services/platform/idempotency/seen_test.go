package idempotency_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/fstest"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// owed is a table whose rows are held against effects at the commit only, so that a commit fails of which all statements were done.
var owed = func() storage.Migrations {
	text := "-- +goose Up\nCREATE TABLE effects (name TEXT PRIMARY KEY);\n" +
		"CREATE TABLE owed (effect TEXT NOT NULL REFERENCES effects (name) DEFERRABLE INITIALLY DEFERRED);\n"
	files := fstest.MapFS{"0001_effects.sql": {Data: []byte(text)}}
	return storage.Migrations{SQLite: files, Postgres: files}
}()

// A request that saw its key answered in a commit that then failed has its own effect: nobody is told of an answer that was never kept.
func TestAnAnswerThatWasSeenAndNotKeptIsNotGiven(t *testing.T) {
	storagetest.Engines(t, owed, func(t *testing.T, db *storage.DB) {
		for round := range 10 {
			key, name := fmt.Sprint("key ", round), fmt.Sprint("good ", round)
			var all sync.WaitGroup
			begun, proceed := make(chan struct{}), make(chan struct{})
			all.Go(func() {
				_ = db.Update(t.Context(), func(context.Context, *storage.Tx) error { close(begun); <-proceed; return nil })
			})
			<-begun // who comes now shares a commit on SQLite
			all.Go(func() {
				got, err := idempotency.Execute(t.Context(), db, clk, create(key, "brush"), func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
					return &consumablesv1.Item{DisplayName: "bad"}, tx.Queue(ctx, nil, "INSERT INTO owed (effect) VALUES ('nothing')")
				})
				if err == nil && got.GetDisplayName() != name {
					t.Errorf("round %d: answered %v", round, got)
				}
				if _, ok := fault.As(err); err != nil && !ok && db.Engine() == storage.SQLite {
					t.Errorf("round %d: %v", round, err)
				}
			})
			all.Go(func() {
				got, err := idempotency.Execute(t.Context(), db, clk, create(key, "brush"), adds(name))
				if err != nil || got.GetDisplayName() != name {
					t.Errorf("round %d: %v, %v; want %s", round, got, err, name)
				}
			})
			close(proceed)
			all.Wait()
			if n := count(t, db, "effects WHERE name = '"+name+"'"); n != 1 {
				t.Errorf("round %d: %d effects", round, n)
			}
		}
		if n := count(t, db, "owed"); n != 0 {
			t.Errorf("%d rows are owed for nothing", n)
		}
	})
}
