package idempotency_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
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

// Case D3: a key that is sent and is none is refused, in the request as in the metadata: without it the client would be left without protection.
func TestAKeyThatIsNoneIsRefused(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		for what, c := range map[string]struct{ key, reason string }{
			"empty": {"", "IDEMPOTENCY_KEY_INVALID"}, "blank": {" \t", "IDEMPOTENCY_KEY_INVALID"}, "of two lines": {"a\r\nb", "IDEMPOTENCY_KEY_INVALID"},
			"with a line's end": {"a\n", "IDEMPOTENCY_KEY_INVALID"}, "with a NUL": {"a\x00b", "IDEMPOTENCY_KEY_INVALID"}, "that is no text": {"a\xff", "IDEMPOTENCY_KEY_INVALID"},
			"ten kilobytes": {strings.Repeat("k", 10<<10), "IDEMPOTENCY_KEY_TOO_LONG"}, "one too long": {strings.Repeat("k", 129), "IDEMPOTENCY_KEY_TOO_LONG"},
		} {
			byHeader := metadata.NewIncomingContext(t.Context(), metadata.Pairs(idempotency.MetadataKey, c.key))
			if _, err := execute(byHeader, db, create("", "brush")); !fault.HasReason(err, c.reason) || len(err.Error()) > 300 {
				t.Errorf("%s, in the metadata: %v, want %s", what, err, c.reason)
			}
			if c.key == "" {
				continue // the field of a request that is not set
			}
			if _, err := execute(t.Context(), db, create(c.key, "brush")); !fault.HasReason(err, c.reason) {
				t.Errorf("%s, in the request: %v, want %s", what, err, c.reason)
			}
		}
		if n, keys := count(t, db, "effects"), count(t, db, "idempotency_keys"); n != 0 || keys != 0 {
			t.Errorf("refused requests left %d effects and %d keys", n, keys)
		}
		if _, err := execute(t.Context(), db, create(strings.Repeat("k", 128), "brush")); err != nil {
			t.Errorf("the longest key: %v", err)
		}
	})
}

// Case D3: one key belongs to one caller and one method; the same of another has its own effect and its own answer.
func TestAKeyBelongsToItsCallerAndMethod(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		as := func(account, method string) context.Context {
			ctx := auth.NewContext(t.Context(), auth.Identity{Account: account})
			return grpc.NewContextWithServerTransportStream(ctx, &told{method: method})
		}
		made := map[string]proto.Message{}
		for round := range 2 {
			for _, account := range []string{"accounts/ada", "accounts/bo", ""} {
				for _, method := range []string{"/a.v1.S/Create", "/a.v1.S/Receive"} {
					name := account + method
					got, err := execute(as(account, method), db, create("key", name))
					if err != nil || got.GetDisplayName() != name || round == 1 && !proto.Equal(got, made[name]) {
						t.Errorf("round %d of %s: %v, %v; first %v", round, name, got, err, made[name])
					}
					made[name] = got
				}
			}
		}
		if n := count(t, db, "effects"); n != len(made) {
			t.Errorf("%d effects of %d callers and methods", n, len(made))
		}
	})
}

// Case D4: after a failure of ours nothing was committed, so the same key is tried again and has its effect once; what it answered then, it answers 25
// hours later too, and to the end of its days.
func TestARetryAfterAFailureAndAfterADay(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		now := clock.NewFake(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
		failures, done := 2, 0
		call := func() (*consumablesv1.Item, error) {
			return idempotency.Execute(t.Context(), db, now, create("key", "brush"), func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Item, error) {
				if _, err := tx.Exec(ctx, "INSERT INTO effects (name) VALUES ('brush')"); err != nil {
					return nil, err
				}
				if failures > 0 {
					failures--
					return nil, fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "The store is away.")
				}
				done++
				return &consumablesv1.Item{DisplayName: "brush", Etag: now.Now().String()}, nil
			})
		}
		for range 2 {
			if _, err := call(); !fault.HasReason(err, "STORE_UNAVAILABLE") || count(t, db, "effects") != 0 {
				t.Errorf("a failure: %v, %d effects", err, count(t, db, "effects"))
			}
		}
		first, err := call()
		if err != nil || done != 1 {
			t.Fatalf("tried again: %v, done %d times", err, done)
		}
		for _, later := range []time.Duration{0, 25 * time.Hour, idempotency.Keep - 26*time.Hour} {
			now.Set(now.Now().Add(later))
			if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return idempotency.Sweep(ctx, tx, now.Now()) }); err != nil {
				t.Fatal(err)
			}
			if again, err := call(); err != nil || !proto.Equal(again, first) || done != 1 || count(t, db, "effects") != 1 {
				t.Errorf("%v later: %v, %v, done %d times; first %v", later, again, err, done, first)
			}
		}
	})
}

// Two keys of one request are a mistake that would be seen only when one of them is repeated; the same key twice is one.
func TestTwoKeysOfOneRequestAreRefused(t *testing.T) {
	storagetest.Engines(t, effects, func(t *testing.T, db *storage.DB) {
		byHeader := metadata.NewIncomingContext(t.Context(), metadata.Pairs(idempotency.MetadataKey, "one"))
		if _, err := execute(byHeader, db, create("other", "brush")); !fault.HasReason(err, "IDEMPOTENCY_KEY_INVALID") || count(t, db, "effects") != 0 {
			t.Errorf("two keys: %v and %d effects, want a refusal", err, count(t, db, "effects"))
		}
		if _, err := execute(byHeader, db, create("one", "brush")); err != nil || count(t, db, "effects") != 1 {
			t.Errorf("one key in both places: %v and %d effects", err, count(t, db, "effects"))
		}
	})
}
