package recordchain_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// none is a service without tables of its own.
var none = func() storage.Migrations {
	files := fstest.MapFS{"0001_none.sql": {Data: []byte("-- +goose Up\nSELECT 1;\n")}}
	return storage.Migrations{SQLite: files, Postgres: files}
}()

var at = time.Date(2026, 3, 1, 8, 0, 0, 123456000, time.UTC)

func entry(stream, kind, value string) recordchain.Entry {
	return recordchain.Entry{
		Stream: stream, Kind: kind, Subject: "workOrders/1", At: at, Actor: "accounts/ada",
		Fields: []recordchain.Field{{Name: "statement", Value: value}},
	}
}

// keep appends entries and returns the last one's position and hash.
func keep(t *testing.T, db *storage.DB, entries ...recordchain.Entry) (position int64, hash string) {
	t.Helper()
	for _, e := range entries {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
			position, hash, err = recordchain.Append(ctx, tx, e)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return position, hash
}

func verify(t *testing.T, db *storage.DB, stream string) int64 {
	t.Helper()
	var bad int64
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		bad, err = recordchain.Verify(ctx, tx, stream)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return bad
}

func TestChainsGrowAndVerify(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		position, first := keep(t, db, entry("orders", "finished", "done"))
		if position != 1 || len(first) != 64 {
			t.Errorf("first entry: position %d, hash %s", position, first)
		}
		position, second := keep(t, db, entry("orders", "finished", "done"))
		if position != 2 || second == first {
			t.Errorf("the same entry again: position %d, hash %s as before", position, second)
		}
		if position, alone := keep(t, db, entry("people", "finished", "done")); position != 1 || alone != first {
			t.Errorf("another stream starts afresh: position %d, hash %s, want %s", position, alone, first)
		}
		for _, stream := range []string{"orders", "people", "empty"} {
			if bad := verify(t, db, stream); bad != 0 {
				t.Errorf("%s does not verify at %d", stream, bad)
			}
		}
	})
}

func TestRecordsCannotBeChangedThroughSQL(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		keep(t, db, entry("orders", "finished", "done"))
		for _, statement := range []string{"UPDATE record_chain SET actor = 'x'", "DELETE FROM record_chain"} {
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				_, err := tx.Exec(ctx, statement)
				return err
			})
			if err == nil {
				t.Errorf("%s succeeded", statement)
			}
		}
		if bad := verify(t, db, "orders"); bad != 0 {
			t.Errorf("an entry changed: %d", bad)
		}
	})
}

// Whoever gets past the triggers still can't change an entry, or take one out of the middle, without the chain showing it.
func TestTamperingShows(t *testing.T) {
	for name, c := range map[string]struct {
		statement string
		first     int64 // the first entry that does not follow from those before it
	}{
		"payload":    {"UPDATE record_chain SET payload = CAST(REPLACE(CAST(payload AS TEXT), 'two', 'too') AS BLOB) WHERE position = 2", 2},
		"hash":       {"UPDATE record_chain SET hash = REPLACE(hash, SUBSTR(hash, 1, 1), 'x') WHERE position = 2", 2},
		"removal":    {"DELETE FROM record_chain WHERE position = 2", 3},
		"renumbered": {"UPDATE record_chain SET position = position + 10 WHERE position > 1", 12},
		"actor":      {"UPDATE record_chain SET actor = 'accounts/eve' WHERE position = 2", 2},
		"subject":    {"UPDATE record_chain SET subject = 'workOrders/2' WHERE position = 2", 2},
		"kind":       {"UPDATE record_chain SET kind = 'voided' WHERE position = 2", 2},
		"time":       {"UPDATE record_chain SET entry_time = entry_time + 1 WHERE position = 2", 2},
	} {
		t.Run(name, func(t *testing.T) {
			db := storagetest.SQLite(t, none)
			keep(t, db, entry("orders", "finished", "one"), entry("orders", "inspected", "two"), entry("orders", "released", "three"))
			err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				for _, s := range []string{"DROP TRIGGER record_chain_no_update", "DROP TRIGGER record_chain_no_delete", c.statement} {
					if n, err := tx.Exec(ctx, s); err != nil || s == c.statement && n == 0 {
						t.Fatalf("%s: %d rows, %v", s, n, err)
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			if bad := verify(t, db, "orders"); bad != c.first {
				t.Errorf("the first bad entry is %d, want %d", bad, c.first)
			}
		})
	}
}

// From an entry on, a chain is judged by what follows it: what was changed before it does not show, the entry itself and all after it do.
func TestAChainIsVerifiedFromAnEntryOn(t *testing.T) {
	db := storagetest.SQLite(t, none)
	keep(t, db, entry("orders", "finished", "one"), entry("orders", "inspected", "two"), entry("orders", "released", "three"))
	from := func(first int64, statements ...string) (bad int64) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
			for _, s := range append([]string{"DROP TRIGGER IF EXISTS record_chain_no_update"}, statements...) {
				if _, err := tx.Exec(ctx, s); err != nil {
					return err
				}
			}
			if bad, err = recordchain.VerifyFrom(ctx, tx, "orders", first); err == nil {
				err = storage.ErrTakeBack
			}
			return err
		})
		if !errors.Is(err, storage.ErrTakeBack) {
			t.Fatal(err)
		}
		return bad
	}
	change := func(position string) string {
		return "UPDATE record_chain SET payload = CAST(CAST(payload AS TEXT) || '!' AS BLOB) WHERE position = " + position
	}
	for _, c := range []struct {
		first, want int64
		statements  []string
	}{
		{1, 0, nil}, {2, 0, nil}, {3, 0, nil}, {4, 0, nil}, {5, 5, nil},
		{1, 1, []string{change("1")}}, {2, 0, []string{change("1")}}, {2, 2, []string{change("2")}}, {2, 3, []string{change("3")}}, {3, 0, []string{change("2")}},
		{2, 2, []string{"UPDATE record_chain SET hash = 'no hash' WHERE position = 1"}}, {3, 3, []string{"UPDATE record_chain SET hash = '" + strings.Repeat("0", 64) + "' WHERE position = 2"}},
	} {
		if bad := from(c.first, c.statements...); bad != c.want {
			t.Errorf("from entry %d after %v: entry %d is bad, want %d", c.first, c.statements, bad, c.want)
		}
	}
}

// The canonical form is injective: no two lists of fields share one, so nothing can be moved from a value to its neighbour.
func TestCanonicalFormTellsFieldsApart(t *testing.T) {
	part := rapid.SampledFrom([]string{"", "a", "b", "ab", "ba", "\x00", "\x00\x00\x00\x01"})
	fields := rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) recordchain.Field {
		return recordchain.Field{Name: part.Draw(rt, "name"), Value: part.Draw(rt, "value")}
	}), 0, 4)
	rapid.Check(t, func(rt *rapid.T) {
		a, b := fields.Draw(rt, "a"), fields.Draw(rt, "b")
		same := len(a) == len(b)
		for i := range min(len(a), len(b)) {
			same = same && a[i] == b[i]
		}
		if (recordchain.Hash(a) == recordchain.Hash(b)) != same {
			rt.Fatalf("%q and %q: same %v, hashes %s and %s", a, b, same, recordchain.Hash(a), recordchain.Hash(b))
		}
	})
}

// The form must stay what it is for ever, or old signatures would not verify any more. It is written out here by hand from
// the package comment.
func TestCanonicalFormIsFixed(t *testing.T) {
	want := "\x00\x00\x00\x14coldsection-record/1\x00\x00\x00\x09statement\x00\x00\x00\x04done"
	if got := string(recordchain.Canonical([]recordchain.Field{{Name: "statement", Value: "done"}})); got != want {
		t.Errorf("canonical form %q, want %q", got, want)
	}
}

// Rows INT-01 to INT-04 of the cases of compliance: SHA-256 (FIPS 180-4) over the hash before and the payload, from 32 zero bytes.
// The hashes were computed by another program. Where the second payload was changed, the second hash is the first that does not fit.
func TestLinksHaveThePublishedHashes(t *testing.T) {
	chain := func(payloads ...string) (hashes []string) {
		previous := make([]byte, sha256.Size)
		for _, p := range payloads {
			previous = recordchain.Link(previous, []byte(p))
			hashes = append(hashes, hex.EncodeToString(previous))
		}
		return hashes
	}
	stored := []string{
		"98d713bc4f854d52f4509656520f6d6505c73b76d08cca557431573d7803a4a7", // INT-01
		"cecff1ca89897afdbd82b637d451d099655c6dade29fc593042cfe40044813f6", // INT-02
		"3634819e3d5b77bd0b1252369da994b0bccaf8fec74c23305a7f6105cd926f4e", // INT-03
	}
	good, bad := chain("entry-1", "entry-2", "entry-3"), chain("entry-1", "entry-X", "entry-3")
	for i, want := range stored {
		if good[i] != want {
			t.Errorf("hash %d is %s, want %s", i+1, good[i], want)
		}
		if fits := bad[i] == want; fits != (i == 0) {
			t.Errorf("after a change of the second payload, hash %d fits: %t", i+1, fits)
		}
	}
	if want := "3a737ab1ea7b562f478ea666fa1d07e1262e68b20a7855fce8d08be649401586"; bad[2] != want { // INT-04
		t.Errorf("the changed chain ends in %s, want %s", bad[2], want)
	}
}
