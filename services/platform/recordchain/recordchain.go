// Package recordchain keeps signed entries that are never changed, in chains that show when one was.
//
// The hash of an entry is SHA-256 over the hash before it (32 zero bytes at the start) and the entry's canonical form: a
// domain tag and version, then each field's name and value with its length in front. Protobuf bytes are not hashed,
// because they are not canonical. A chain shows tampering; it does not prevent it, nor prove who.
package recordchain

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"coldsection.example/services/platform/storage"
)

const domain = "coldsection-record/1"

// Field is one named value of an entry.
type Field struct{ Name, Value string }

// Entry is what is recorded.
type Entry struct {
	Stream  string // which chain
	Kind    string // such as "released"
	Subject string // the resource that it is about
	At      time.Time
	Actor   string
	Fields  []Field // in a fixed order
}

// Canonical is the form of fields that is hashed and signed.
func Canonical(fields []Field) []byte {
	out := appendPart(nil, domain)
	for _, f := range fields {
		out = appendPart(appendPart(out, f.Name), f.Value)
	}
	return out
}

// Hash is the SHA-256 of the canonical form, in hexadecimal.
func Hash(fields []Field) string {
	sum := sha256.Sum256(Canonical(fields))
	return hex.EncodeToString(sum[:])
}

func appendPart(out []byte, s string) []byte {
	return append(binary.BigEndian.AppendUint32(out, uint32(len(s))), s...)
}

func (e Entry) canonical() []byte { return Canonical(append(e.head(), e.Fields...)) }

// head is what stands in columns of its own too, at the precision of the store.
func (e Entry) head() []Field {
	at := storage.FromMicros(storage.Micros(e.At)).Format(time.RFC3339Nano)
	return []Field{{"kind", e.Kind}, {"subject", e.Subject}, {"time", at}, {"actor", e.Actor}}
}

// Append adds an entry to the end of its stream and returns its position, from 1, and hash. Entries of one stream that are made at the
// same moment wait for each other. Reason: CLOCK_BEHIND_RECORD.
func Append(ctx context.Context, tx *storage.Tx, e Entry) (int64, string, error) {
	end, err := endOf(ctx, tx, e.Stream)
	if err != nil {
		return 0, "", err
	}
	if err := end.follows(e.Stream, e.At); err != nil {
		return 0, "", err
	}
	return add(ctx, tx, end, e)
}

// add puts an entry at the end of a stream.
func add(ctx context.Context, tx *storage.Tx, end tail, e Entry) (int64, string, error) {
	payload := e.canonical()
	hash := link(end.hash, payload)
	_, err := tx.Exec(ctx, `INSERT INTO record_chain (stream, position, kind, subject, entry_time, actor, payload, hash)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		e.Stream, end.position+1, e.Kind, e.Subject, storage.Micros(e.At), e.Actor, payload, hex.EncodeToString(hash))
	if err != nil {
		return 0, "", fmt.Errorf("recording %s: %w", e.Kind, err)
	}
	return end.position + 1, hex.EncodeToString(hash), nil
}

// tail is the last entry of a stream: position 0, zero bytes and no time when there is none.
type tail struct {
	position int64
	hash     []byte
	at       time.Time
}

// endOf is the end of a stream, which stays so until the transaction's end.
func endOf(ctx context.Context, tx *storage.Tx, stream string) (tail, error) {
	if err := tx.Alone(ctx, "record chain "+stream); err != nil {
		return tail{}, err
	}
	var position, at int64
	var hash string
	err := tx.QueryRow(ctx, "SELECT position, hash, entry_time FROM record_chain WHERE stream = $1 ORDER BY position DESC LIMIT 1", stream).
		Scan(&position, &hash, &at)
	if errors.Is(err, storage.ErrNoRows) {
		return tail{hash: make([]byte, sha256.Size)}, nil
	}
	if err != nil {
		return tail{}, err
	}
	raw, err := hex.DecodeString(hash)
	return tail{position: position, hash: raw, at: storage.FromMicros(at)}, err
}

func link(previous, payload []byte) []byte {
	h := sha256.New()
	h.Write(previous)
	h.Write(payload)
	return h.Sum(nil)
}

// stored is an entry as it lies in the table.
type stored struct {
	Entry

	position int64
	payload  []byte
	hash     string
}

func scanStored(row storage.Scanner) (s stored, err error) {
	var at int64
	err = row.Scan(&s.position, &s.Kind, &s.Subject, &at, &s.Actor, &s.payload, &s.hash)
	s.At = storage.FromMicros(at)
	return s, err
}

// Verify recomputes a stream and returns the position of the first entry that does not fit, or 0: its hash does not follow
// from the one before, its number is not the next, or its columns say something else than what was hashed.
func Verify(ctx context.Context, tx *storage.Tx, stream string) (int64, error) {
	return VerifyFrom(ctx, tx, stream, 1)
}

// VerifyFrom is Verify from a position on, taking the hash before it as it stands. Whoever rewrites an entry must rewrite all that come after it, so
// this shows whether an entry is the one that others were built on, at the cost of these.
func VerifyFrom(ctx context.Context, tx *storage.Tx, stream string, first int64) (int64, error) {
	rows, err := storage.Collect(ctx, tx, scanStored,
		"SELECT position, kind, subject, entry_time, actor, payload, hash FROM record_chain WHERE stream = $1 AND position >= $2 ORDER BY position", stream, first-1)
	if err != nil {
		return 0, err
	}
	previous := make([]byte, sha256.Size)
	if first > 1 {
		if len(rows) == 0 || rows[0].position != first-1 {
			return first, nil
		}
		if previous, err = hex.DecodeString(rows[0].hash); err != nil {
			return first, nil //nolint:nilerr // what stands there is no hash, so nothing follows from it
		}
		rows = rows[1:]
	}
	for i, s := range rows {
		previous = link(previous, s.payload)
		if s.position != first+int64(i) || hex.EncodeToString(previous) != s.hash || !bytes.HasPrefix(s.payload, Canonical(s.head())) {
			return s.position, nil
		}
	}
	return 0, nil
}

// VerifyAll recomputes every stream of a database and names the first that does not fit.
func VerifyAll(ctx context.Context, tx *storage.Tx) error {
	streams, err := storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, "SELECT DISTINCT stream FROM record_chain ORDER BY stream")
	if err != nil {
		return err
	}
	for _, stream := range streams {
		switch bad, err := Verify(ctx, tx, stream); {
		case err != nil:
			return err
		case bad > 0:
			return fmt.Errorf("the record chain %s does not verify at entry %d", stream, bad)
		}
	}
	return nil
}
