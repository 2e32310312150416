package webhooks

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// mostOld bounds the secrets of before that still sign; the specification sets no limit to signatures, but each costs every message.
const mostOld = 4

// oldSecret is a secret of before, and until when it signs.
type oldSecret struct {
	secret []byte
	expire int64
}

// entrySize is an old secret with its end, where there are several.
const entrySize = 8 + secretSize

// bundle writes old secrets as one text to seal: a single one as it is, and its end beside it; of several each with its end.
func bundle(all []oldSecret) (text []byte, last int64) {
	for _, o := range all {
		last = max(last, o.expire)
		text = append(binary.BigEndian.AppendUint64(text, uint64(o.expire)), o.secret...)
	}
	if len(all) == 1 {
		return all[0].secret, last
	}
	return text, last
}

// unbundle reads what bundle wrote.
func unbundle(text []byte, last int64) ([]oldSecret, error) {
	if len(text) == secretSize {
		return []oldSecret{{text, last}}, nil
	}
	if len(text)%entrySize != 0 {
		return nil, fmt.Errorf("old secrets of %d bytes can't be read", len(text))
	}
	var all []oldSecret
	for entry := range slices.Chunk(text, entrySize) {
		all = append(all, oldSecret{entry[8:], int64(binary.BigEndian.Uint64(entry))})
	}
	return all, nil
}

// living are the old secrets that still sign, newest first.
func living(all []oldSecret, now int64) []oldSecret {
	return slices.DeleteFunc(slices.Clone(all), func(o oldSecret) bool { return o.expire <= now })
}

// Rotate gives an endpoint a new secret. The one so far signs beside it for the overlap, as do those before it that have time left, none longer
// than it. Reason: WEBHOOK_SECRETS_TOO_MANY.
func (s *Store) Rotate(ctx context.Context, tx *storage.Tx, endpoint string, overlap *time.Duration) error {
	p, err := s.progressOf(ctx, tx, endpoint, tx.ForUpdate())
	if err != nil {
		return err
	}
	longest := defaultOverlap
	if overlap != nil {
		longest = *overlap
	}
	now, end := storage.Micros(s.Clock.Now()), storage.Micros(s.Clock.Now().Add(longest))
	old := []oldSecret{{p.secret, end}}
	for _, o := range p.old {
		old = append(old, oldSecret{o.secret, min(o.expire, end)})
	}
	if old = living(old, now); len(old) > mostOld {
		first := slices.MinFunc(old, func(a, b oldSecret) int { return int(a.expire - b.expire) })
		return fault.Precondition("WEBHOOK_SECRETS_TOO_MANY", "%s has %d secrets of before that still sign, and %d at most do. Rotate after %s, "+
			"when the first of them ends, or with an overlap of 0 s, which ends them all at once.", endpoint, len(p.old), mostOld,
			storage.FromMicros(first.expire).Format(time.RFC3339))
	}
	sealed, err := s.Keys.Seal(sealPurpose, newSecret())
	if err != nil {
		return err
	}
	text, last := bundle(old)
	before := []byte{}
	if len(old) > 0 {
		if before, err = s.Keys.Seal(sealPurpose, text); err != nil {
			return err
		}
	}
	_, err = tx.Exec(ctx, "UPDATE webhook_progress SET secret = $1, old_secret = $2, old_secret_expire = $3 WHERE endpoint = $4",
		sealed, before, last, endpoint)
	return err
}
