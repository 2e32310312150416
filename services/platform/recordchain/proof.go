package recordchain

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"coldsection.example/services/platform/storage"
)

// Proof is an entry that proves itself: its hash is the SHA-256 of the hash before and of its payload, which says all that was recorded.
type Proof struct {
	Stream   string `json:"stream"`
	Position int64  `json:"position"` // from 1
	Previous string `json:"previous"` // hash of the entry before, in hexadecimal
	Hash     string `json:"hash"`
	Payload  string `json:"payload"` // the canonical form, in hexadecimal
	Content  string `json:"content"` // Hash of the fields, as records name it
	Said     []Said `json:"said"`    // the payload, to be read
}

// Said is a named value of an entry.
type Said struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// some is how many subjects one statement asks for.
const some = 100

// Proofs are the entries of a stream about subjects that were recorded by an instant, in their order.
func Proofs(ctx context.Context, tx *storage.Tx, stream string, subjects []string, known time.Time) (all []Proof, err error) {
	err = EachProof(ctx, tx, stream, subjects, known, func(p Proof) error {
		all = append(all, p)
		return nil
	})
	return all, err
}

// EachProof is Proofs of which no more than some are held at once, beside their positions.
func EachProof(ctx context.Context, tx *storage.Tx, stream string, subjects []string, known time.Time, do func(Proof) error) error {
	positions, err := positionsOf(ctx, tx, stream, subjects, known)
	if err != nil {
		return err
	}
	for few := range slices.Chunk(positions, some) {
		in, args := marked([]any{stream}, few)
		found, err := storage.Collect(ctx, tx, scanStored, `SELECT position, kind, subject, entry_time, actor, payload, hash FROM record_chain
			WHERE stream = $1 AND position IN (`+in+") ORDER BY position", args...)
		if err != nil {
			return err
		}
		for _, s := range found {
			p, err := proofOf(ctx, tx, stream, s)
			if err != nil {
				return err
			}
			if err := do(p); err != nil {
				return err
			}
		}
	}
	return nil
}

// positionsOf are the places of the entries about subjects, in their order.
func positionsOf(ctx context.Context, tx *storage.Tx, stream string, subjects []string, known time.Time) (all []int64, err error) {
	for few := range slices.Chunk(subjects, some) {
		in, args := marked([]any{stream, storage.Micros(known)}, few)
		found, err := storage.Collect(ctx, tx, func(row storage.Scanner) (position int64, err error) {
			err = row.Scan(&position)
			return position, err
		}, "SELECT position FROM record_chain WHERE stream = $1 AND entry_time <= $2 AND subject IN ("+in+")", args...)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	slices.Sort(all)
	return all, nil
}

// marked adds values to arguments, and gives their marks.
func marked[T any](args []any, values []T) (marks string, all []any) {
	list := make([]string, len(values))
	for i, v := range values {
		args = append(args, v)
		list[i] = fmt.Sprintf("$%d", len(args))
	}
	return strings.Join(list, ", "), args
}

func proofOf(ctx context.Context, tx *storage.Tx, stream string, s stored) (Proof, error) {
	p := Proof{Stream: stream, Position: s.position, Previous: strings.Repeat("00", sha256.Size), Hash: s.hash, Payload: hex.EncodeToString(s.payload)}
	if s.position > 1 {
		if err := tx.QueryRow(ctx, "SELECT hash FROM record_chain WHERE stream = $1 AND position = $2", stream, s.position-1).Scan(&p.Previous); err != nil {
			return p, err
		}
	}
	fields, err := fieldsOf(s.payload)
	for i, f := range fields {
		p.Said = append(p.Said, Said(f))
		if i == headFields-1 {
			p.Content = Hash(fields[headFields:])
		}
	}
	return p, err
}

// Last is the position and hash of the last entry of a stream that was recorded by an instant; 0 and "" when there is none.
func Last(ctx context.Context, tx *storage.Tx, stream string, known time.Time) (position int64, hash string, err error) {
	err = tx.QueryRow(ctx, "SELECT position, hash FROM record_chain WHERE stream = $1 AND entry_time <= $2 ORDER BY position DESC LIMIT 1",
		stream, storage.Micros(known)).Scan(&position, &hash)
	if errors.Is(err, storage.ErrNoRows) {
		err = nil
	}
	return position, hash, err
}

// headFields is how many fields of a payload come from Entry.head.
const headFields = 4

// Check recomputes the entry from its payload.
func (p Proof) Check() error {
	previous, err := hex.DecodeString(p.Previous)
	payload, err2 := hex.DecodeString(p.Payload)
	if err != nil || err2 != nil || len(previous) != sha256.Size {
		return errors.New("a hash or the payload is not hexadecimal")
	}
	if got := hex.EncodeToString(link(previous, payload)); got != p.Hash {
		return fmt.Errorf("its hash does not follow from the one before and what was recorded, which give %s", got)
	}
	fields, err := fieldsOf(payload)
	if err != nil {
		return err
	}
	if len(fields) < headFields || len(fields) != len(p.Said) || Hash(fields[headFields:]) != p.Content {
		return errors.New("what it says is not what was recorded")
	}
	for i, f := range fields {
		if Said(f) != p.Said[i] {
			return fmt.Errorf("it says %q of %s, and recorded was %q", p.Said[i].Value, f.Name, f.Value)
		}
	}
	return nil
}

var errPayload = errors.New("the payload is not in the canonical form")

// fieldsOf reads a canonical form.
func fieldsOf(payload []byte) (fields []Field, err error) {
	next := func() string {
		if len(payload) < 4 || uint64(len(payload)-4) < uint64(binary.BigEndian.Uint32(payload)) {
			err = errPayload
			return ""
		}
		n := 4 + int(binary.BigEndian.Uint32(payload))
		part := string(payload[4:n])
		payload = payload[n:]
		return part
	}
	whole := bytes.Clone(payload)
	if next() != domain && err == nil {
		err = errPayload
	}
	for err == nil && len(payload) > 0 {
		name := next()
		if err == nil {
			fields = append(fields, Field{Name: name, Value: next()})
		}
	}
	if err == nil && !bytes.Equal(Canonical(fields), whole) {
		err = errPayload
	}
	return fields, err
}
