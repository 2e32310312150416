package idempotency_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// ways are the two in which a request has its effect once.
var ways = map[string]func(ctx context.Context, db *storage.DB, req proto.Message, fn idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error){
	"alone": func(ctx context.Context, db *storage.DB, req proto.Message, fn idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error) {
		return idempotency.Execute(ctx, db, clk, req, fn)
	},
	"holding": func(ctx context.Context, db *storage.DB, req proto.Message, fn idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error) {
		return idempotency.ExecuteHolding(ctx, db, clk, req, []string{"it"}, fn)
	},
}

// bothWays runs fn for each of them on fresh databases of both engines.
func bothWays(t *testing.T, fn func(t *testing.T, db *storage.DB, run func(req proto.Message, body idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error))) {
	t.Helper()
	for name, way := range ways {
		t.Run(name, func(t *testing.T) {
			storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
				fn(t, db, func(req proto.Message, body idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error) {
					return way(t.Context(), db, req, body)
				})
			})
		})
	}
}

// adds is the effect of writing a name down, which is answered; nobody waits for it.
func adds(name string) idempotency.Body[*consumablesv1.Item] {
	return func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
		return &consumablesv1.Item{DisplayName: name}, tx.Queue(ctx, nil, "INSERT INTO effects (name) VALUES ($1)", name)
	}
}

// A key has one effect and one answer whether or not its effect shares a transaction; another request with it is refused, and without a key
// every request counts.
func TestAKeyHasOneEffectEitherWay(t *testing.T) {
	bothWays(t, func(t *testing.T, db *storage.DB, run func(proto.Message, idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error)) {
		for i, c := range []struct{ key, name, effect, answer, reason string }{
			{"one", "brush", "brush", "brush", ""}, {"one", "brush", "second", "brush", ""}, {"one", "hose", "hose", "", "IDEMPOTENCY_KEY_REUSED"},
			{"two", "brush", "third", "third", ""}, {"", "x", "x1", "x1", ""}, {"", "x", "x2", "x2", ""}, {"", "x", "x3", "x3", ""},
		} {
			got, err := run(create(c.key, c.name), adds(c.effect))
			if c.reason == "" && (err != nil || got.GetDisplayName() != c.answer) || c.reason != "" && !fault.HasReason(err, c.reason) {
				t.Errorf("call %d: %v, %v; want %q, reason %q", i, got, err, c.answer, c.reason)
			}
		}
		if n, keys := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != 5 || keys != 2 {
			t.Errorf("%d effects and %d keys, want 5 and 2", n, keys)
		}
	})
}

// What was answered is answered again also when the same would be refused by now, before anything is read: the lot is empty because of the
// first request.
func TestAnAnswerCountsMoreThanARefusalOfNow(t *testing.T) {
	bothWays(t, func(t *testing.T, db *storage.DB, run func(proto.Message, idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error)) {
		refused := errors.New("refused by now")
		refuses := func(context.Context, *storage.Tx) (*consumablesv1.Item, error) { return nil, refused }
		if _, err := run(create("key", "brush"), adds("brush")); err != nil {
			t.Fatal(err)
		}
		if got, err := run(create("key", "brush"), refuses); err != nil || got.GetDisplayName() != "brush" {
			t.Errorf("the same again: %v, %v", got, err)
		}
		if got, err := run(create("new", "brush"), refuses); !errors.Is(err, refused) {
			t.Errorf("another key: %v, %v", got, err)
		}
		if n, keys := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != 1 || keys != 1 {
			t.Errorf("%d effects and %d keys", n, keys)
		}
	})
}

// A dry run takes no notice of its key, whether or not it was used, and leaves neither an effect nor the key.
func TestADryRunTakesNoNoticeOfItsKey(t *testing.T) {
	bothWays(t, func(t *testing.T, db *storage.DB, run func(proto.Message, idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error)) {
		dry := func(key, name string) *consumablesv1.CreateItemRequest {
			req := create(key, name)
			req.ValidateOnly = true
			return req
		}
		if got, err := run(dry("key", "brush"), adds("before")); err != nil || got.GetDisplayName() != "before" {
			t.Errorf("before: %v, %v", got, err)
		}
		if _, err := run(create("key", "brush"), adds("brush")); err != nil {
			t.Fatal(err)
		}
		for i, req := range []*consumablesv1.CreateItemRequest{dry("key", "brush"), dry("key", "hose"), dry("other", "hose")} {
			if got, err := run(req, adds("dry")); err != nil || got.GetDisplayName() != "dry" {
				t.Errorf("dry run %d: %v, %v", i, got, err)
			}
		}
		if got, err := run(dry("key", "brush"), adds("brush")); !storage.IsUnique(err) {
			t.Errorf("a dry run of what is there: %v, %v", got, err)
		}
		if n, keys := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != 1 || keys != 1 {
			t.Errorf("%d effects and %d keys", n, keys)
		}
	})
}

// Many at once with one key have one effect also where they share transactions, beside those with other keys and with none.
func TestManyAtOnceWhoShareHaveOneEffectEach(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		const each = 15
		keys := []string{"a", "b", "c", ""}
		var all sync.WaitGroup
		for i := range each * len(keys) {
			all.Go(func() {
				key, name := keys[i%len(keys)], fmt.Sprint("own ", i)
				got, err := idempotency.ExecuteHolding(t.Context(), db, clk, create(key, "brush"), []string{name}, adds(name))
				if err != nil || key == "" && got.GetDisplayName() != name {
					t.Errorf("%q: %v, %v", key, got, err)
				}
			})
		}
		all.Wait()
		if n, kept := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != each+3 || kept != 3 {
			t.Errorf("%d effects and %d keys, want %d and 3", n, kept, each+3)
		}
		for _, key := range keys[:3] {
			got, err := idempotency.ExecuteHolding(t.Context(), db, clk, create(key, "brush"), nil, adds("late"))
			if err != nil || count(t, db, "effects WHERE name = '"+got.GetDisplayName()+"'") != 1 {
				t.Errorf("the answer of %q is of no effect: %v, %v", key, got, err)
			}
		}
	})
}

// A request that is run again by itself, since it can't share, is judged by what it finds then and not by what it found in the group: the key was
// answered in between, by another process.
func TestWhatWasFoundInAGroupIsForgottenWhenItRunsAlone(t *testing.T) {
	db := storagetest.Postgres(t, effects) // SQLite has one process
	runs, refused := 0, errors.New("refused by now")
	got, err := idempotency.ExecuteHolding(t.Context(), db, clk, create("key", "brush"), nil,
		func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
			if runs++; runs > 1 {
				return nil, refused
			}
			if err := tx.Flush(ctx); err != nil { // the key is looked for, and not there
				return nil, err
			}
			if _, err := idempotency.Execute(context.WithoutCancel(t.Context()), db, clk, create("key", "brush"), adds("meanwhile")); err != nil {
				return nil, err
			}
			return nil, tx.Try(ctx, func(context.Context) error { return nil }) // no part of a shared transaction can be taken back
		})
	if err != nil || got.GetDisplayName() != "meanwhile" || runs != 2 {
		t.Errorf("%v, %v after %d runs", got, err, runs)
	}
}

// What can't be kept has no effect: where the store doesn't take the key, can't be asked for it, or the answer has no form, the request fails as a whole.
func TestWithoutItsKeyARequestHasNoEffect(t *testing.T) {
	noForm := func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
		_, err := adds("brush")(ctx, tx)
		return &consumablesv1.Item{DisplayName: "\xff"}, err
	}
	bothWays(t, func(t *testing.T, db *storage.DB, run func(proto.Message, idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error)) {
		if got, err := run(create("key", "brush"), noForm); err == nil || !strings.Contains(err.Error(), "UTF-8") {
			t.Errorf("an answer without a form: %v, %v", got, err)
		}
		for what, change := range map[string][]string{
			"takes no key":       refusesKeys(db.Engine()),
			"has no place of it": {"ALTER TABLE idempotency_keys RENAME TO away"},
		} {
			storagetest.Statements(t, db, change...)
			if got, err := run(create("key", "brush"), adds("brush")); err == nil {
				t.Errorf("a store that %s: answered %v", what, got)
			}
			if n := count(t, db, "effects"); n != 0 {
				t.Errorf("a store that %s: %d effects", what, n)
			}
			if what == "has no place of it" {
				storagetest.Statements(t, db, "ALTER TABLE away RENAME TO idempotency_keys")
			}
		}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "DROP TABLE idempotency_keys")
			return errors.Join(err, idempotency.Sweep(ctx, tx, clk.Now()))
		}); err == nil {
			t.Error("a sweep of keys that are not there says nothing")
		}
	})
}

// refusesKeys lets a store add no key any more.
func refusesKeys(engine storage.Engine) []string {
	if engine == storage.SQLite {
		return []string{"CREATE TRIGGER full BEFORE INSERT ON idempotency_keys BEGIN SELECT RAISE(ABORT, 'full'); END"}
	}
	return []string{
		"CREATE FUNCTION refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION 'full'; END $$ LANGUAGE plpgsql",
		"CREATE TRIGGER full_up BEFORE INSERT ON idempotency_keys FOR EACH ROW EXECUTE FUNCTION refuse()",
	}
}

// An answer that can't be read any more is an error and no empty answer.
func TestAnAnswerThatIsDamagedIsNotGiven(t *testing.T) {
	bothWays(t, func(t *testing.T, db *storage.DB, run func(proto.Message, idempotency.Body[*consumablesv1.Item]) (*consumablesv1.Item, error)) {
		if _, err := run(create("key", "brush"), adds("brush")); err != nil {
			t.Fatal(err)
		}
		if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "UPDATE idempotency_keys SET answer = $1", []byte{0xff})
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if got, err := run(create("key", "brush"), adds("second")); err == nil || count(t, db, "effects") != 1 {
			t.Errorf("%v, %v, %d effects", got, err, count(t, db, "effects"))
		}
	})
}

// A request without the field has its key in the metadata.
func TestARequestWithoutTheFieldHasItsKeyInTheMetadata(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		ctx := metadata.NewIncomingContext(t.Context(), metadata.Pairs(idempotency.MetadataKey, "key"))
		for i, c := range []struct {
			ctx          context.Context
			name, answer string
		}{{t.Context(), "first", "first"}, {t.Context(), "second", "second"}, {ctx, "third", "third"}, {ctx, "fourth", "third"}} {
			got, err := idempotency.Execute(c.ctx, db, clk, &consumablesv1.GetItemRequest{Name: "items/a"}, adds(c.name))
			if err != nil || got.GetDisplayName() != c.answer {
				t.Errorf("call %d: %v, %v; want %s", i, got, err, c.answer)
			}
		}
		if n, keys := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != 3 || keys != 1 {
			t.Errorf("%d effects and %d keys", n, keys)
		}
	})
}
