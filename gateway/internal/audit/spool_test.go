package audit_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/audit"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// desk is the audit of a gateway whose processes come and go.
type desk struct {
	t     *testing.T
	db    *storage.DB
	clock *clock.Fake
	file  string
}

func desks(t *testing.T, fn func(t *testing.T, d desk)) {
	t.Helper()
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		fn(t, desk{t, db, clock.NewFake(time.Date(2026, 9, 7, 6, 0, 0, 0, time.UTC)), filepath.Join(t.TempDir(), "waiting")})
	})
}

// process is the audit as a process begins it.
func (d desk) process() *audit.Log {
	return &audit.Log{DB: d.db, Clock: d.clock, IDs: ids.System(), Log: slog.New(slog.DiscardHandler), Spool: d.file}
}

func (d desk) sql(statement string) {
	d.t.Helper()
	if err := d.db.Update(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, statement)
		return err
	}); err != nil {
		d.t.Fatal(err)
	}
}

// away lets fn run while the store takes no lines.
func (d desk) away(fn func()) {
	d.t.Helper()
	d.sql("ALTER TABLE audit_events RENAME TO audit_events_gone")
	fn()
	d.sql("ALTER TABLE audit_events_gone RENAME TO audit_events")
}

// kept is how many lines the store has of calls that ended so.
func (d desk) kept(outcome string) (n int) {
	d.t.Helper()
	if err := d.db.View(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT count(*) FROM audit_events WHERE outcome = $1", outcome).Scan(&n)
	}); err != nil {
		d.t.Fatal(err)
	}
	return n
}

// flush writes what waits, which has to succeed.
func (d desk) flush(l *audit.Log) {
	d.t.Helper()
	if err := l.Flush(d.t.Context()); err != nil {
		d.t.Fatal(err)
	}
}

// refuse writes lines of refused calls while the store is away, and fails if one of them is said to be written.
func (d desk) refuse(l *audit.Log, from, to int) {
	d.t.Helper()
	for i := from; i < to; i++ {
		if l.Write(d.t.Context(), audit.Call{Account: "accounts/a", Method: fmt.Sprint("Call", i)}, "REFUSED") == nil {
			d.t.Error("a line is said to be written that is not")
		}
	}
}

// Lines that the store could not take outlive the process, in the order of several deaths, and are in the store once when it is back.
func TestLinesThatWaitOutliveTheProcess(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.away(func() {
			d.refuse(d.process(), 0, 3)
			second := d.process()
			d.refuse(second, 3, 5)
			if second.Flush(t.Context()) == nil {
				t.Error("a store that is away took lines")
			}
		})
		third := d.process()
		d.flush(third)
		if n := d.kept("REFUSED"); n != 5 {
			t.Errorf("%d lines are kept, want 5", n)
		}
		if _, err := os.Stat(d.file); !os.IsNotExist(err) {
			t.Errorf("the file is not removed: %v", err)
		}
		d.away(func() { d.refuse(third, 5, 6) }) // the same process spools again
		d.flush(d.process())
		if n := d.kept("REFUSED"); n != 6 {
			t.Errorf("%d lines are kept, want 6", n)
		}
	})
}

// Wherever the file is cut, all lines before the cut are kept, and the audit goes on.
func TestAFileThatIsCutGivesTheLinesBeforeTheCut(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		var whole []byte
		d.away(func() {
			d.refuse(d.process(), 0, 3)
			whole, _ = os.ReadFile(d.file)
		})
		each := len(whole) / 3
		if len(whole) != 3*each || each == 0 {
			t.Fatalf("three lines alike have %d bytes", len(whole))
		}
		for cut := 0; cut <= len(whole); cut += 7 {
			d.sql("DELETE FROM audit_events")
			if err := os.WriteFile(d.file, whole[:cut], 0o600); err != nil {
				t.Fatal(err)
			}
			d.flush(d.process())
			if n := d.kept("REFUSED"); n != cut/each {
				t.Errorf("cut after %d bytes of %d: %d lines, want %d", cut, len(whole), n, cut/each)
			}
		}
	})
}

// A process that dies in the minute of a flood loses at most what was counted since the last look.
func TestStrangersAreCountedInTheStoreWhileTheyCome(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		l := d.process()
		for range 50 {
			l.Stranger(t.Context(), audit.Call{Method: "HTTP GET"}, "CREDENTIALS_WRONG")
		}
		d.flush(l)
		if n := d.kept("CREDENTIALS_WRONG"); n != 21 {
			t.Errorf("%d lines, want 20 and the one that counts", n)
		}
		for range 10 {
			l.Stranger(t.Context(), audit.Call{Method: "HTTP GET"}, "CREDENTIALS_WRONG")
		}
		d.flush(l)
		d.clock.Advance(time.Minute)
		d.flush(l)
		if n := d.kept("CREDENTIALS_WRONG"); n != 21 {
			t.Errorf("%d lines after the minute, want the same 21", n)
		}
	})
}
