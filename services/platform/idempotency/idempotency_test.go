package idempotency_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var effects = func() storage.Migrations {
	files := fstest.MapFS{"0001_effects.sql": {Data: []byte("-- +goose Up\nCREATE TABLE effects (name TEXT PRIMARY KEY);\n")}}
	return storage.Migrations{SQLite: files, Postgres: files}
}()

var clk = clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))

func create(key, name string) *consumablesv1.CreateItemRequest {
	return &consumablesv1.CreateItemRequest{RequestId: key, Item: &consumablesv1.Item{DisplayName: name}}
}

// execute creates an item whose etag is made anew at every call, so that a repeated effect would show.
func execute(ctx context.Context, db *storage.DB, req *consumablesv1.CreateItemRequest) (*consumablesv1.Item, error) {
	return idempotency.Execute(ctx, db, clk, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
		var before int
		if err := tx.QueryRow(ctx, "SELECT count(*) FROM effects").Scan(&before); err != nil {
			return nil, err
		}
		if _, err := tx.Exec(ctx, "INSERT INTO effects (name) VALUES ($1)", req.GetItem().GetDisplayName()); err != nil {
			return nil, err
		}
		return &consumablesv1.Item{DisplayName: req.GetItem().GetDisplayName(), Etag: string(rune('a' + before))}, nil
	})
}

func count(t *testing.T, db *storage.DB, table string) (n int) {
	t.Helper()
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT count(*) FROM "+table).Scan(&n)
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestSameKeySameAnswer(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		first, err := execute(t.Context(), db, create("key", "brush"))
		if err != nil {
			t.Fatal(err)
		}
		again, err := execute(t.Context(), db, create("key", "brush"))
		if err != nil || !proto.Equal(again, first) || count(t, db, "effects") != 1 {
			t.Errorf("again: %v, %v, %d effects; want %v once", again, err, count(t, db, "effects"), first)
		}
		byHeader := metadata.NewIncomingContext(t.Context(), metadata.Pairs(idempotency.MetadataKey, "key"))
		if got, err := execute(byHeader, db, create("", "brush")); err != nil || !proto.Equal(got, first) {
			t.Errorf("the same key in the header: %v, %v; want %v", got, err, first)
		}
		if _, err := execute(t.Context(), db, create("key", "hose")); !fault.HasReason(err, "IDEMPOTENCY_KEY_REUSED") {
			t.Errorf("the same key with another request: %v", err)
		}
		if count(t, db, "effects") != 1 {
			t.Errorf("%d effects, want 1", count(t, db, "effects"))
		}
	})
}

func TestKeysBelongToTheirCaller(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		ada := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/ada"})
		bo := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/bo"})
		if _, err := execute(ada, db, create("key", "brush")); err != nil {
			t.Fatal(err)
		}
		if got, err := execute(bo, db, create("key", "hose")); err != nil || got.GetDisplayName() != "hose" {
			t.Errorf("somebody else's key: %v, %v", got, err)
		}
	})
}

func TestNothingIsKeptWithoutAnEffect(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		dry := create("key", "brush")
		dry.ValidateOnly = true
		if got, err := execute(t.Context(), db, dry); err != nil || got.GetDisplayName() != "brush" {
			t.Errorf("dry run: %v, %v", got, err)
		}
		boom := errors.New("boom")
		_, err := idempotency.Execute(t.Context(), db, clk, create("key", "brush"),
			func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
				_, err := tx.Exec(ctx, "INSERT INTO effects (name) VALUES ('half')")
				return nil, errors.Join(err, boom)
			})
		if !errors.Is(err, boom) {
			t.Errorf("a refused request: %v", err)
		}
		if count(t, db, "effects") != 0 || count(t, db, "idempotency_keys") != 0 {
			t.Errorf("%d effects and %d keys are left", count(t, db, "effects"), count(t, db, "idempotency_keys"))
		}
		if _, err := execute(t.Context(), db, create("key", "brush")); err != nil {
			t.Errorf("the key is spent by a request without effect: %v", err)
		}
	})
}

func TestWithoutKeyEveryRequestCounts(t *testing.T) {
	db := storagetest.SQLite(t, effects)
	for _, name := range []string{"brush", "hose"} {
		if _, err := execute(t.Context(), db, create("", name)); err != nil {
			t.Fatal(err)
		}
	}
	if count(t, db, "effects") != 2 || count(t, db, "idempotency_keys") != 0 {
		t.Errorf("%d effects, %d keys", count(t, db, "effects"), count(t, db, "idempotency_keys"))
	}
}

// A name that is taken is the effect's own refusal, whether or not the request has a key.
func TestEffectsOwnConflictIsNotTheKeys(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		if _, err := execute(t.Context(), db, create("one", "brush")); err != nil {
			t.Fatal(err)
		}
		if _, err := execute(t.Context(), db, create("two", "brush")); !storage.IsUnique(err) {
			t.Errorf("got %v, want the effect's unique violation", err)
		}
	})
}

func TestManyAtOnceHaveOneEffect(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		var wg sync.WaitGroup
		answers, errs := make([]*consumablesv1.Item, 50), make([]error, 50)
		for i := range errs {
			wg.Go(func() { answers[i], errs[i] = execute(t.Context(), db, create("key", "brush")) })
		}
		wg.Wait()
		for i, err := range errs {
			if err != nil || !proto.Equal(answers[i], answers[0]) {
				t.Errorf("answer %v, error %v; want %v", answers[i], err, answers[0])
			}
		}
		if got := count(t, db, "effects"); got != 1 {
			t.Errorf("%d effects", got)
		}
	})
}

// Case D4: a key whose answer is no longer kept has no second effect, however late its repeat comes.
func TestSweepForgetsOldAnswersAndKeepsTheirKeys(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		if _, err := execute(t.Context(), db, create("key", "brush")); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			age    time.Duration
			reason string
		}{{idempotency.Keep, ""}, {idempotency.Keep + time.Second, "IDEMPOTENCY_KEY_SPENT"}, {20 * idempotency.Keep, "IDEMPOTENCY_KEY_SPENT"}} {
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				return idempotency.Sweep(ctx, tx, clk.Now().Add(c.age))
			})
			_, again := execute(t.Context(), db, create("key", "brush"))
			if err != nil || c.reason == "" && again != nil || c.reason != "" && !fault.HasReason(again, c.reason) {
				t.Errorf("after %v: %v, and its repeat %v; want %q", c.age, err, again, c.reason)
			}
			if got := count(t, db, "effects"); got != 1 {
				t.Errorf("after %v: %d effects", c.age, got)
			}
		}
	})
}

func TestTooLongKey(t *testing.T) {
	db := storagetest.SQLite(t, effects)
	key := string(make([]byte, 129))
	if _, err := execute(t.Context(), db, create(key, "brush")); !fault.HasReason(err, "IDEMPOTENCY_KEY_TOO_LONG") {
		t.Errorf("got %v", err)
	}
}
