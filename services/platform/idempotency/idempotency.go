// Package idempotency gives the same request the same answer for 90 days, also after a restart and across protocols.
//
// The key is the request's request_id, or the metadata "idempotency-key" that the gateway makes of the HTTP header. The
// answer is kept in the transaction that had the effect. A request with validate_only runs and is rolled back. After those days the
// key is still known, for ever: a repeat is refused then and has no second effect.
package idempotency

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Keep is how long an answer is kept.
const Keep = 90 * 24 * time.Hour

// MetadataKey is the gRPC metadata that carries the key when the request has no request_id.
const MetadataKey = "idempotency-key"

// ReplayedKey is the gRPC metadata of an answer that its key was given before, with the value "true". Over HTTP it is the header
// Idempotency-Replayed.
const ReplayedKey = "idempotency-replayed"

// Body is the effect of a request.
type Body[Resp proto.Message] func(ctx context.Context, tx *storage.Tx) (Resp, error)

// Execute runs the effect once per key; that an answer was given before, its metadata say. Reasons: IDEMPOTENCY_KEY_REUSED when the key came with another request before,
// IDEMPOTENCY_KEY_SPENT when its answer is no longer kept, IDEMPOTENCY_KEY_TOO_LONG, IDEMPOTENCY_KEY_INVALID.
func Execute[Resp proto.Message](
	ctx context.Context, db *storage.DB, clk clock.Clock, req proto.Message, fn Body[Resp],
) (Resp, error) {
	return execute(ctx, db, clk, req, fn, func(_ row, _ bool, body storage.Func) error { return db.Update(ctx, body) })
}

// ExecuteHolding is Execute for an effect that may share its transaction with those that hold other things, as UpdateHolding says.
func ExecuteHolding[Resp proto.Message](
	ctx context.Context, db *storage.DB, clk clock.Clock, req proto.Message, holds []string, fn Body[Resp],
) (Resp, error) {
	return execute(ctx, db, clk, req, fn, func(r row, dry bool, body storage.Func) error {
		if dry {
			return db.Update(ctx, body)
		}
		if r.key != "" {
			holds = append(holds, r.caller+"\n"+r.method+"\n"+r.key)
		}
		return db.UpdateHolding(ctx, holds, body)
	})
}

func execute[Resp proto.Message](
	ctx context.Context, db *storage.DB, clk clock.Clock, req proto.Message, fn Body[Resp], update func(r row, dry bool, body storage.Func) error,
) (Resp, error) {
	var answer Resp
	key, err := keyOf(ctx, req)
	if err != nil {
		return answer, err
	}
	dry := isDry(req)
	r := row{caller: callerOf(ctx), method: methodOf(ctx, req), key: key, fingerprint: fingerprint(req), dry: dry}
	var known state
	err = update(r, dry, func(ctx context.Context, tx *storage.Tx) (err error) {
		known = state{}
		if err := r.reserve(ctx, tx, clk.Now(), &known); err != nil {
			return err
		}
		if answer, err = fn(ctx, tx); err != nil {
			if !known.looked {
				_ = tx.Flush(ctx) // a refusal before the first read: whether the key was answered before counts more
			}
			return err
		}
		if dry {
			return cmp.Or(tx.Flush(ctx), storage.ErrTakeBack)
		}
		if key == "" {
			return nil
		}
		return r.keep(ctx, tx, answer, clk.Now(), &known)
	})
	switch {
	case known.earlier:
		err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) error { return replay(ctx, tx, r, &answer) })
		if errors.Is(err, storage.ErrNoRows) { // the first request's commit failed after it was seen
			return execute(ctx, db, clk, req, fn, update)
		}
	case errors.Is(err, storage.ErrTakeBack):
		err = nil
	}
	return answer, err
}

// row is a key and the request that it came with.
type row struct {
	caller, method, key, fingerprint string
	dry                              bool // whether nothing of it is to be kept
}

// errEarlier ends a transaction whose key was answered before.
var errEarlier = errors.New("the key was answered before")

// state is what a running transaction has found out about its key.
type state struct {
	looked  bool // whether the store was asked
	earlier bool // whether it was answered before
}

// reserve takes the key. Another request with the key that is under way is waited for; a request that fails gives the key back with
// everything else. Where one writer does all, or others share the transaction, a look is enough, and the key is written with its
// answer; on PostgreSQL else it goes along with the first statement that the effect waits for. Either tells by known what it found.
func (r row) reserve(ctx context.Context, tx *storage.Tx, now time.Time, known *state) error {
	if r.key == "" || r.dry {
		return nil
	}
	if tx.Engine() == storage.SQLite || tx.Shared() {
		return tx.AskEach(ctx, func(rows storage.Rows) error {
			if known.looked = true; rows.Next() {
				known.earlier = true
				return errEarlier
			}
			return rows.Err()
		}, "SELECT 1 FROM idempotency_keys WHERE caller = $1 AND method = $2 AND request_key = $3", r.caller, r.method, r.key)
	}
	return tx.Queue(ctx, known.added, insertKey+" ON CONFLICT DO NOTHING", r.caller, r.method, r.key, r.fingerprint, []byte{}, storage.Micros(now))
}

// added judges the writing of the key.
func (k *state) added(rows int64, err error) error {
	if k.looked, k.earlier = true, err == nil && rows == 0; k.earlier {
		return errEarlier
	}
	return err
}

const insertKey = `INSERT INTO idempotency_keys (caller, method, request_key, fingerprint, answer, create_time)
	VALUES ($1, $2, $3, $4, $5, $6)`

// replay reads the answer to the key's first request.
func replay[Resp proto.Message](ctx context.Context, tx *storage.Tx, r row, answer *Resp) error {
	var fingerprint string
	var kept []byte
	var spent, created int64
	err := tx.QueryRow(ctx, "SELECT fingerprint, answer, spent, create_time FROM idempotency_keys WHERE caller = $1 AND method = $2 AND request_key = $3",
		r.caller, r.method, r.key).Scan(&fingerprint, &kept, &spent, &created)
	if err != nil {
		return err
	}
	if fingerprint != r.fingerprint {
		return fault.Invalid("request_id", "IDEMPOTENCY_KEY_REUSED",
			"The idempotency key %q came with another request before. Use a new key for a new request.", r.key)
	}
	if spent != 0 {
		return fault.New(fault.AlreadyExists, "IDEMPOTENCY_KEY_SPENT",
			"The idempotency key %q was used on %s, and answers are kept for 90 days. What it did stands: look for that, or use a new key for a new request.",
			r.key, storage.FromMicros(created).UTC().Format(time.DateOnly))
	}
	var zero Resp
	fresh, _ := zero.ProtoReflect().New().Interface().(Resp)
	*answer = fresh
	if err := proto.Unmarshal(kept, fresh); err != nil {
		return err
	}
	_ = grpc.SetHeader(ctx, metadata.Pairs(ReplayedKey, "true")) // outside of a call there is nobody to tell
	return nil
}

// PassOn tells the caller of a call what its owner told in the metadata of the answer: that the key was given it before.
func PassOn(ctx context.Context, answer metadata.MD) {
	if told := answer.Get(ReplayedKey); len(told) > 0 {
		_ = grpc.SetHeader(ctx, metadata.Pairs(ReplayedKey, told[0])) // the answer itself counts more
	}
}

// keep writes the answer beside the key.
func (r row) keep(ctx context.Context, tx *storage.Tx, answer proto.Message, now time.Time, known *state) error {
	kept, err := proto.Marshal(answer)
	if err != nil {
		return err
	}
	if tx.Engine() == storage.SQLite || tx.Shared() {
		return tx.QueueEach(ctx, known.added, insertKey+" ON CONFLICT DO NOTHING", r.caller, r.method, r.key, r.fingerprint, kept, storage.Micros(now))
	}
	return tx.Queue(ctx, nil, "UPDATE idempotency_keys SET answer = $1 WHERE caller = $2 AND method = $3 AND request_key = $4",
		kept, r.caller, r.method, r.key)
}

// Sweep forgets answers that are older than Keep; that their keys were used is kept.
func Sweep(ctx context.Context, tx *storage.Tx, now time.Time) error {
	_, err := tx.Exec(ctx, "UPDATE idempotency_keys SET answer = $1, spent = 1 WHERE spent = 0 AND create_time < $2", []byte{}, storage.Micros(now.Add(-Keep)))
	return err
}

// keyOf is the key of a request; none when it has none. One that is sent and holds nothing, or what is no text of one line, is a
// client's mistake that would cost it the protection. Reasons: IDEMPOTENCY_KEY_TOO_LONG, IDEMPOTENCY_KEY_INVALID.
func keyOf(ctx context.Context, req proto.Message) (string, error) {
	key, sent := "", false
	if md, _ := metadata.FromIncomingContext(ctx); len(md.Get(MetadataKey)) > 0 {
		key, sent = md.Get(MetadataKey)[0], true
	}
	if r, ok := req.(interface{ GetRequestId() string }); ok && r.GetRequestId() != "" {
		if sent && key != r.GetRequestId() {
			return "", fault.Invalid("request_id", "IDEMPOTENCY_KEY_INVALID",
				"The request has two idempotency keys, request_id %.40q and the header's %.40q. Send one of them.", r.GetRequestId(), key)
		}
		key, sent = r.GetRequestId(), true
	}
	switch {
	case len(key) > 128:
		return "", fault.Invalid("request_id", "IDEMPOTENCY_KEY_TOO_LONG", "The idempotency key has %d characters. Use at most 128.", len(key))
	case sent && (strings.TrimSpace(key) == "" || strings.ContainsFunc(key, unicode.IsControl) || !utf8.ValidString(key)):
		return "", fault.Invalid("request_id", "IDEMPOTENCY_KEY_INVALID",
			"The idempotency key %.40q is blank, has a control character or is no UTF-8, and a key is one line of text. Send a new UUID, or leave the key out.", key)
	default:
		return key, nil
	}
}

func isDry(req proto.Message) bool {
	r, ok := req.(interface{ GetValidateOnly() bool })
	return ok && r.GetValidateOnly()
}

func callerOf(ctx context.Context) string {
	id, _ := auth.FromContext(ctx)
	return id.Account
}

func methodOf(ctx context.Context, req proto.Message) string {
	if m, ok := grpc.Method(ctx); ok {
		return m
	}
	return string(req.ProtoReflect().Descriptor().FullName())
}

// fingerprint is the same for two requests that differ in their key only.
func fingerprint(req proto.Message) string {
	bare := proto.Clone(req)
	if f := bare.ProtoReflect().Descriptor().Fields().ByName("request_id"); f != nil && f.Kind() == protoreflect.StringKind {
		bare.ProtoReflect().Clear(f)
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return "unmarshalable"
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:])
}
