package recordchain_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// add appends an entry at a time.
func add(t *testing.T, db *storage.DB, stream string, at time.Time) error {
	t.Helper()
	return db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		e := entry(stream, "released", "Airworthy.")
		e.At = at
		_, _, err := recordchain.Append(ctx, tx, e)
		return err
	})
}

func confirm(t *testing.T, db *storage.DB, stream string, now, told time.Time) error {
	t.Helper()
	return db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return recordchain.Confirm(ctx, tx, stream, "recordChains/workorders-signatures", now, told, "accounts/quinn", "people/quinn", "The machine's battery was flat.")
	})
}

func streams(t *testing.T, db *storage.DB) (all []recordchain.Stream) {
	t.Helper()
	err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		all, err = recordchain.Streams(ctx, tx)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Case E10: nothing is added while the clock is behind the last entry by more than two minutes; a clock that was years ahead once blocks nobody
// for years, because quality confirms the time by another clock, which the chain keeps, and what was entered stays and verifies.
func TestAClockBehindTheRecordIsRefusedUntilItIsConfirmed(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		ahead := at.AddDate(10, 0, 0)
		for _, step := range []struct {
			say    string
			at     time.Time
			reason string
		}{
			{"the first", at, ""}, {"two minutes behind", at.Add(-2 * time.Minute), ""}, {"again, against the last entry", at.Add(-4*time.Minute - time.Second), "CLOCK_BEHIND_RECORD"},
			{"ten years ahead", ahead, ""}, {"right again", at.Add(time.Hour), "CLOCK_BEHIND_RECORD"}, {"a year later still", at.AddDate(1, 0, 0), "CLOCK_BEHIND_RECORD"},
		} {
			if err := add(t, db, "signatures", step.at); (step.reason == "") != (err == nil) || err != nil && !fault.HasReason(err, step.reason) {
				t.Errorf("%s: %v, want %q", step.say, err, step.reason)
			}
		}
		if err := add(t, db, "water_grades", at); err != nil {
			t.Errorf("another chain: %v", err)
		}
		now := at.Add(time.Hour)
		for _, told := range []time.Time{now.Add(2*time.Minute + time.Second), now.Add(-3 * time.Minute), ahead} {
			if err := confirm(t, db, "signatures", now, told); !fault.HasReason(err, "CLOCK_NOT_CONFIRMED") {
				t.Errorf("the clock says %v, the person %v: %v", now, told, err)
			}
		}
		for range 2 { // the second finds nothing to confirm
			if err := confirm(t, db, "signatures", now, now.Add(-time.Minute)); err != nil {
				t.Fatal(err)
			}
		}
		if err := add(t, db, "signatures", now.Add(time.Minute)); err != nil {
			t.Errorf("after the confirmation: %v", err)
		}
		if err := add(t, db, "signatures", now.Add(-2*time.Minute)); !fault.HasReason(err, "CLOCK_BEHIND_RECORD") {
			t.Errorf("behind what was confirmed and entered since: %v", err)
		}
		want := []recordchain.Stream{{Name: "signatures", Entries: 5, Last: now.Add(time.Minute)}, {Name: "water_grades", Entries: 1, Last: at}}
		if got := streams(t, db); !slices.EqualFunc(got, want, func(a, b recordchain.Stream) bool {
			return a.Name == b.Name && a.Entries == b.Entries && a.Last.Equal(b.Last)
		}) {
			t.Errorf("got %v, want %v", got, want)
		}
		if bad := verify(t, db, "signatures"); bad != 0 {
			t.Errorf("entry %d does not verify", bad)
		}
	})
}

// Whatever the clock does, an entry that is earlier than the one before by more than two minutes is a confirmation.
func TestNoEntryGoesBackWithoutAConfirmation(t *testing.T) {
	db, drawn := storagetest.SQLite(t, none), 0
	rapid.Check(t, func(rt *rapid.T) {
		drawn++
		stream, now := fmt.Sprint("stream ", drawn), at
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for range rapid.IntRange(1, 8).Draw(rt, "steps") {
				now = now.Add(time.Duration(rapid.Int64Range(-1000, 1000).Draw(rt, "seconds")) * time.Second)
				e := entry(stream, "released", "Airworthy.")
				e.At = now
				_, _, err := recordchain.Append(ctx, tx, e)
				if rapid.Bool().Draw(rt, "confirm") {
					err = recordchain.Confirm(ctx, tx, stream, "recordChains/a-b", now, now, "accounts/quinn", "people/quinn", "The battery was flat.")
				}
				if err != nil && !fault.HasReason(err, "CLOCK_BEHIND_RECORD") {
					return err
				}
			}
			return inOrder(ctx, rt, tx, stream)
		})
		if err != nil {
			rt.Fatal(err)
		}
	})
}

// inOrder holds the entries of a stream against the rule.
func inOrder(ctx context.Context, rt *rapid.T, tx *storage.Tx, stream string) error {
	type kept struct {
		kind string
		at   int64
	}
	all, err := storage.Collect(ctx, tx, func(row storage.Scanner) (k kept, err error) {
		err = row.Scan(&k.kind, &k.at)
		return k, err
	}, "SELECT kind, entry_time FROM record_chain WHERE stream = $1 ORDER BY position", stream)
	for i := 1; i < len(all); i++ {
		if back := all[i].at < all[i-1].at-recordchain.Slack.Microseconds(); back != (all[i].kind == recordchain.Confirmed) {
			rt.Errorf("%v follows %v", all[i], all[i-1])
		}
	}
	return err
}
