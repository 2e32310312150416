package server_test

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// callers is how many issue at once where a benchmark says "64".
const callers = 64

// quick is how soon a disk commits of which nobody notices that commits are shared; one that really writes takes a multiple.
const quick = 500 * time.Microsecond

// wall is the time that really passes.
var wall = clock.System()

func since(t time.Time) time.Duration { return wall.Now().Sub(t) }

// rate runs fn n times by so many callers, and returns calls per second and the times of the calls, sorted.
func rate(b *testing.B, n, by int, fn func(caller, i int) error) (perSecond float64, times []time.Duration) {
	b.Helper()
	times = make([]time.Duration, n)
	var next atomic.Int64
	var wg sync.WaitGroup
	begun := wall.Now()
	for c := range by {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				at := wall.Now()
				if err := fn(c, i); err != nil {
					b.Error(err)
					return
				}
				times[i] = since(at)
			}
		})
	}
	wg.Wait()
	perSecond = float64(n) / since(begun).Seconds()
	slices.Sort(times)
	return perSecond, times
}

// cpu is the processor time that this process has used; on PostgreSQL the server's comes on top.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// bare returns a function that measures how many single rows a second one connection commits one at a time on the disk of the
// test, with the settings that the service's database has.
func bare(b *testing.B, engine storage.Engine) func() float64 {
	b.Helper()
	driver, dsn := "sqlite", "file:"+filepath.Join(b.TempDir(), "bare.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)"
	if engine == storage.Postgres {
		driver, dsn = "pgx", storagetest.FreshDSN(b)
	}
	db, err := sql.Open(driver, dsn)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	db.SetMaxOpenConns(1)
	body := map[storage.Engine]string{storage.SQLite: "BLOB", storage.Postgres: "BYTEA"}[engine]
	if _, err := db.ExecContext(b.Context(), "CREATE TABLE t (id BIGINT PRIMARY KEY, body "+body+")"); err != nil {
		b.Fatal(err)
	}
	done := 0
	return func() float64 {
		const rows = 300
		perSecond, _ := rate(b, rows, 1, func(_, i int) error {
			_, err := db.ExecContext(b.Context(), "INSERT INTO t (id, body) VALUES ($1, $2)", done+i, make([]byte, 200))
			return err
		})
		done += rows
		return perSecond
	}
}

// BenchmarkIssue measures an issue from call to answer, durable with its outbox and idempotency rows, beside a bare insert and
// commit on the same disk in the same run; the bare rate is the mean of what it was before, between and after, because a disk
// that others use too is not the same from one second to the next:
//
//	go test -run xxx -bench Issue -benchtime 1x ./services/consumables/internal/server
//
// Wanted: the store at 64 callers at least 5 times the bare rate, the call at least twice. The processor time of a call is
// the caller's, the server's and the store's together.
func BenchmarkIssue(b *testing.B) {
	b.Run("sqlite", func(b *testing.B) {
		for b.Loop() {
			issues(b, storagetest.SQLite(b, store.Migrations()))
		}
	})
	b.Run("postgres", func(b *testing.B) {
		if os.Getenv(storagetest.PostgresEnv) == "" {
			b.Skip("no PostgreSQL")
		}
		for b.Loop() {
			issues(b, storagetest.Postgres(b, store.Migrations()))
		}
	})
}

func issues(b *testing.B, db *storage.DB) {
	b.Helper()
	base := bare(b, db.Engine())
	d := open(b, db)
	d.catalogue()
	for c := range callers {
		d.stocked("cleaner", fmt.Sprintf("b%d", c), "1000.1", days(200))
		d.needs(fmt.Sprintf("workOrders/b%d", c), "cleaner", "1000") // all of it, so that every order has a lot of its own
	}
	issue := func(c, _ int) error {
		_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{
			Name: fmt.Sprintf("lots/b%d", c), WorkOrder: fmt.Sprintf("workOrders/b%d", c), Quantity: litres("0.001"), SealedContainers: true,
			RequestId: ids.System().New(),
		})
		return err
	}
	const calls = 4000
	disk := base()
	post, _ := rate(b, calls, callers, d.posted)
	disk += base()
	one, alone := rate(b, 200, 1, issue)
	disk += base()
	used := cpu(b)
	many, crowd := rate(b, calls, callers, issue)
	used = cpu(b) - used
	disk = (disk + base()) / 4
	if took := time.Duration(float64(time.Second) / disk); took < quick {
		b.Logf("a bare commit takes %s: this disk makes nobody wait, so the ratios hold the processor's work on an issue against that on a single row, "+
			"and say little of what sharing a commit saves", took.Round(time.Microsecond))
	}
	b.ReportMetric(disk, "bare/s")
	b.ReportMetric(post/disk, "store64/bare")
	b.ReportMetric(one/disk, "call1/bare")
	b.ReportMetric(many/disk, "call64/bare")
	b.ReportMetric(float64(used.Microseconds())/calls, "cpuµs/call")
	for name, times := range map[string][]time.Duration{"1": alone, "64": crowd} {
		b.ReportMetric(float64(times[len(times)/2].Microseconds())/1000, "p50ms@"+name)
		b.ReportMetric(float64(times[len(times)*99/100].Microseconds())/1000, "p99ms@"+name)
	}
}

// posted moves a little of a caller's lot, as an issue does.
func (d desk) posted(c, i int) error {
	lot := fmt.Sprintf("lots/b%d", c)
	return d.db.UpdateHolding(d.t.Context(), []string{lot}, func(ctx context.Context, tx *storage.Tx) error {
		m := &consumablesv1.StockMovement{Name: fmt.Sprintf("stockMovements/p%d", i), Lot: lot}
		return store.Post(ctx, tx, m, []stock.Posting{{Lot: lot, Location: shelf, Amount: -1}, {Lot: lot, Location: "locations/back", Amount: 1}}, morning)
	})
}
