package workorders_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

// past does something in the database past the tool, as somebody with the database at hand does.
func (s *stage) past(fn func(ctx context.Context, tx *storage.Tx) error) {
	s.t.Helper()
	drop := []string{"DROP TRIGGER IF EXISTS record_chain_fixed ON record_chain"}
	if s.service.DB().Engine() == storage.SQLite {
		drop = []string{"DROP TRIGGER IF EXISTS record_chain_no_update", "DROP TRIGGER IF EXISTS record_chain_no_delete"}
	}
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for _, statement := range drop {
			if _, err := tx.Exec(ctx, statement); err != nil {
				return err
			}
		}
		return fn(ctx, tx)
	})
	if err != nil {
		s.t.Fatal(err)
	}
}

// rewrite changes what an entry of the chain says, and its hash with it, so that the entry by itself holds.
func (s *stage) rewrite(position int64, from, to string) {
	s.t.Helper()
	s.past(func(ctx context.Context, tx *storage.Tx) error {
		var payload []byte
		previous := strings.Repeat("00", sha256.Size)
		if err := tx.QueryRow(ctx, "SELECT payload FROM record_chain WHERE stream = 'signatures' AND position = $1", position).Scan(&payload); err != nil {
			return err
		}
		if position > 1 {
			if err := tx.QueryRow(ctx, "SELECT hash FROM record_chain WHERE stream = 'signatures' AND position = $1", position-1).Scan(&previous); err != nil {
				return err
			}
		}
		raw, err := hex.DecodeString(previous)
		if err != nil {
			return err
		}
		changed := bytes.ReplaceAll(payload, []byte(from), []byte(to))
		if bytes.Equal(changed, payload) || len(from) != len(to) {
			s.t.Fatalf("entry %d does not say %q", position, from)
		}
		sum := sha256.Sum256(append(raw, changed...))
		_, err = tx.Exec(ctx, "UPDATE record_chain SET payload = $1, hash = $2 WHERE stream = 'signatures' AND position = $3", changed, hex.EncodeToString(sum[:]), position)
		return err
	})
}

// finished is an order whose work was signed, with that signature; its entry is at the end of the chain.
func (s *stage) finished() (*workordersv1.WorkOrder, *commonv1.Signature, int64) {
	s.t.Helper()
	o := s.started("ring-flow-check")
	s.work(o, "ann")
	o = must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
	s.clock.Advance(time.Hour)
	return o, s.signatures(o)[0], s.last()
}

// last is the position of the last entry of the chain.
func (s *stage) last() (position int64) {
	s.t.Helper()
	err := s.service.DB().View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		position, _, err = recordchain.Last(ctx, tx, "signatures", s.clock.Now().Add(time.Hour))
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return position
}

// Fault C11: an entry that was rewritten together with its record and its own hash shows by the entries after it: nothing rests on it any more.
func TestAnEntryThatWasRewrittenShowsByThoseAfterIt(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		before, earlier, first := s.finished()
		o, sig, position := s.finished()
		next, later, _ := s.finished()
		after, _, _ := s.finished()
		row := &commonv1.Signature{}
		s.tamper("signatures", sig.GetName(), row, func() { row.PersonName = strings.Repeat("x", len(row.GetPersonName())) })
		s.rewrite(position, sig.GetPersonName(), row.GetPersonName())
		for name, one := range map[string]*commonv1.Signature{"the one before": earlier, "its own": sig, "the one after": later} {
			if check := s.verified(one); check.GetValid() || !strings.Contains(check.GetExplanation(), "broken at entry") {
				t.Errorf("%s: %v", name, check)
			}
		}
		_, err := s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", sig.GetName(), "broken at entry", "Do not release")
		if missing := s.preview(o, commonv1.Signature_RELEASED).GetMissing(); len(missing) != 1 || !strings.Contains(missing[0], "broken at entry") {
			t.Errorf("whoever signs is shown %q", missing)
		}
		_, err = s.release(before)
		s.refused(err, "SIGNATURE_BROKEN", earlier.GetName(), "may be another one")
		_, err = s.release(next)
		s.refused(err, "SIGNATURE_BROKEN", later.GetName(), "does not follow from the one before")
		if after = must[*workordersv1.WorkOrder](s)(s.release(after)); after.GetState() != workordersv1.WorkOrder_RELEASED || first >= position {
			t.Errorf("an order that was signed after it is %s", after.GetState())
		}
	})
}

// Fault C11: one byte of what was signed, wherever it stands, and the signature of another order in the place of one's own.
func TestALiftedSignatureAndAChangedByteShow(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		from, source, _ := s.finished()
		o, sig, _ := s.finished()
		row := &commonv1.Signature{}
		s.tamper("signatures", sig.GetName(), row, func() { // all of the other order's but the name
			row.ContentHash, row.Statement, row.Person, row.PersonName = source.GetContentHash(), source.GetStatement(), source.GetPerson(), source.GetPersonName()
			row.SignTime, row.SignDate, row.Authorization, row.Certificate = source.GetSignTime(), source.GetSignDate(), source.GetAuthorization(), source.GetCertificate()
		})
		if check := s.verified(sig); check.GetValid() || !strings.Contains(check.GetExplanation(), "not the one that was made") {
			t.Errorf("a signature of another order: %v", check)
		}
		_, err := s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", sig.GetName())
		s.past(func(ctx context.Context, tx *storage.Tx) error { // and its entry
			_, err := tx.Exec(ctx, "UPDATE record_chain SET subject = $1 WHERE stream = 'signatures' AND subject = $2", o.GetName(), from.GetName())
			return err
		})
		if check := s.verified(sig); check.GetValid() || !strings.Contains(check.GetExplanation(), "broken at entry") {
			t.Errorf("with its entry: %v", check)
		}
		_, err = s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", sig.GetName())
	})
	engines(t, func(t *testing.T, s *stage) {
		o, sig, position := s.finished()
		s.past(func(ctx context.Context, tx *storage.Tx) error {
			var payload []byte
			if err := tx.QueryRow(ctx, "SELECT payload FROM record_chain WHERE stream = 'signatures' AND position = $1", position).Scan(&payload); err != nil {
				return err
			}
			payload[len(payload)-1]++
			_, err := tx.Exec(ctx, "UPDATE record_chain SET payload = $1 WHERE stream = 'signatures' AND position = $2", payload, position)
			return err
		})
		if check := s.verified(sig); check.GetValid() || !strings.Contains(check.GetExplanation(), "broken at entry") {
			t.Errorf("one byte of the entry: %v", check)
		}
		_, err := s.release(o)
		s.refused(err, "SIGNATURE_BROKEN", sig.GetName(), "broken")
	})
}

// Fault C11: entries that were taken off the end leave a chain that holds, and fewer entries than signatures, which is said.
func TestAChainWithoutItsEndIsTold(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, sig, position := s.finished()
		_, lost, _ := s.finished()
		if check := s.verified(sig); !check.GetValid() || check.GetExplanation() != "" {
			t.Fatalf("before: %v", check)
		}
		s.unchain()
		if check := s.verified(sig); !check.GetValid() || !strings.Contains(check.GetExplanation(), "others were taken away") || s.last() != position {
			t.Errorf("a signature before the end: %v", check)
		}
		if check := s.verified(lost); check.GetValid() || !strings.Contains(check.GetExplanation(), "no entry") {
			t.Errorf("the one whose entry is gone: %v", check)
		}
		must[*workordersv1.WorkOrder](s)(s.release(o))
		s.finished()
		if check := s.verified(sig); !strings.Contains(check.GetExplanation(), "4 signatures were made, and the chain of signatures ends at entry 3") {
			t.Errorf("with entries in their place: %v", check)
		}
	})
}
