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

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

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
// the caller's, the server's and the store's together; PostgreSQL's own comes on top.
//
// What no code of ours could do without is measured beside it: "rows" writes the same rows as an issue, for 64 at once with the fewest statements,
// and reads and decides nothing; "empty" is a call that does nothing, by 64 callers. Where rows and empty together take more of the processors than
// the goal leaves to a call, the goal is out of reach on that machine. issue/floor is how many times their processor time an issue takes.
//
// A disk on which a commit costs more is had, for bare rows and issues alike, with strace around SQLite and with PostgreSQL's own setting:
//
//	go test -c -o issue.test ./services/consumables/internal/server
//	cd services/consumables/internal/server
//	strace -f --seccomp-bpf -o /dev/null -e trace=fdatasync,fsync -e inject=fdatasync,fsync:delay_exit=2000 \
//		issue.test -test.run xxx -test.bench Issue/sqlite -test.benchtime 1x
//	COLDSECTION_TEST_POSTGRES="…?options=-c%20commit_delay%3D2000%20-c%20commit_siblings%3D0" issue.test -test.run xxx -test.bench Issue/postgres -test.benchtime 1x
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

// calls is how often each thing is done that is measured at 64 callers.
const calls = 4000

func issues(b *testing.B, db *storage.DB) {
	b.Helper()
	base := bare(b, db.Engine())
	d := open(b, db)
	d.catalogue()
	for c := range callers {
		d.stocked("cleaner", fmt.Sprintf("b%d", c), "1000.1", days(200))
		d.needs(fmt.Sprintf("workOrders/b%d", c), "cleaner", "1000") // all of it, so that every order has a lot of its own
	}
	disk := base()
	post, _, _ := d.measured(b, callers, d.posted)
	disk += base()
	one, alone := rate(b, 200, 1, d.issuing)
	disk += base()
	many, crowd, used := d.measured(b, callers, d.issuing)
	disk = (disk + base()) / 4
	if took := time.Duration(float64(time.Second) / disk); took < quick {
		b.Logf("a bare commit takes %s: this disk makes nobody wait, so the ratios hold the processor's work on an issue against that on a single row, "+
			"and say little of what sharing a commit saves", took.Round(time.Microsecond))
	}
	b.ReportMetric(disk, "bare/s")
	b.ReportMetric(post/disk, "store64/bare")
	b.ReportMetric(one/disk, "call1/bare")
	b.ReportMetric(many/disk, "call64/bare")
	b.ReportMetric(float64(used.Nanoseconds())/1000, "cpuµs/call")
	for name, times := range map[string][]time.Duration{"1": alone, "64": crowd} {
		b.ReportMetric(float64(times[len(times)/2].Microseconds())/1000, "p50ms@"+name)
		b.ReportMetric(float64(times[len(times)*99/100].Microseconds())/1000, "p99ms@"+name)
	}
	d.floors(b, disk, used)
}

// measured is rate for as many calls as are measured, with the processor time of one.
func (d desk) measured(b *testing.B, by int, fn func(caller, i int) error) (perSecond float64, times []time.Duration, used time.Duration) {
	b.Helper()
	before := cpu(b)
	perSecond, times = rate(b, calls, by, fn)
	return perSecond, times, (cpu(b) - before) / calls
}

// issuing is an issue by one of the callers.
func (d desk) issuing(c, _ int) error {
	_, err := d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{
		Name: fmt.Sprintf("lots/b%d", c), WorkOrder: fmt.Sprintf("workOrders/b%d", c), Quantity: litres("0.001"), SealedContainers: true,
		RequestId: ids.System().New(),
	})
	return err
}

// floors reports what an issue is held against besides the disk: its rows alone, and a call that does nothing.
func (d desk) floors(b *testing.B, disk float64, issue time.Duration) {
	b.Helper()
	written := rowsOf(d.db)
	before := cpu(b)
	groups, _ := rate(b, calls/callers, 1, func(_, i int) error { return written.group(b.Context(), i) })
	rows := (cpu(b) - before) / (calls / callers * callers)
	nothing := healthpb.NewHealthClient(d.conn)
	empty, _, called := d.measured(b, callers, func(int, int) error {
		_, err := nothing.Check(d.clerk(), &healthpb.HealthCheckRequest{})
		return err
	})
	b.ReportMetric(groups*callers/disk, "rows64/bare")
	b.ReportMetric(float64(rows.Nanoseconds())/1000, "cpuµs/rows")
	b.ReportMetric(empty/disk, "empty64/bare")
	b.ReportMetric(float64(called.Nanoseconds())/1000, "cpuµs/empty")
	b.ReportMetric(float64(issue)/float64(rows+called), "issue/floor")
}

// posted moves a little of a caller's lot, as an issue does.
func (d desk) posted(c, i int) error {
	lot := fmt.Sprintf("lots/b%d", c)
	return d.db.UpdateHolding(d.t.Context(), []string{lot}, func(ctx context.Context, tx *storage.Tx) error {
		m := &consumablesv1.StockMovement{Name: fmt.Sprintf("stockMovements/p%d", i), Lot: lot}
		return store.Post(ctx, tx, m, []stock.Posting{{Lot: lot, Location: shelf, Amount: -1}, {Lot: lot, Location: "locations/back", Amount: 1}}, morning)
	})
}
