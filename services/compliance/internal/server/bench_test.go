package server_test

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/server"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// requirementsEach is how many requirements hold for an aircraft with its engine: half of them for each.
const requirementsEach = 200

// fleetOf is so many aircraft with their engines and a record of each of so many requirements on each, put into the tables at once; what is due is not
// worked out yet.
func fleetOf(b testing.TB, db *storage.DB, planes, each int) (*app.App, *clock.Fake) {
	b.Helper()
	now := clock.NewFake(start)
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		b.Fatal(err)
	}
	a := &app.App{DB: db, Clock: now, IDs: &ids.Sequence{Prefix: "id"}, Lister: listing.New(bytes.Repeat([]byte("k"), 32)), Keys: keys}
	fill := func(fn storage.Func) {
		b.Helper()
		if err := db.Update(b.Context(), fn); err != nil {
			b.Fatal(err)
		}
	}
	fill(func(ctx context.Context, tx *storage.Tx) error {
		for i := range each {
			if err := store.Requirements.Insert(ctx, tx, benchRequirement(i), start); err != nil {
				return err
			}
		}
		return nil
	})
	for first := 0; first < planes; first += 50 {
		fill(func(ctx context.Context, tx *storage.Tx) error {
			return benchPlanes(ctx, tx, first, min(planes, first+50), each)
		})
	}
	return a, now
}

// benchRequirement is due every so many months, days or hours; a requirement in five every hours or months, whatever comes first.
func benchRequirement(i int) *compliancev1.Requirement {
	r := &compliancev1.Requirement{
		Name: fmt.Sprintf("requirements/r%03d", i), Code: fmt.Sprintf("R-%03d", i), DisplayName: "Check", Kind: compliancev1.Requirement_INSPECTION, Document: document,
		Applicability: &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_AIRCRAFT}, Revision: 1,
	}
	if i%2 == 1 {
		r.Applicability.SubjectKind = compliancev1.Applicability_ENGINES
	}
	months, hours := limit(compliancev1.IntervalLimit_MONTHS, int64(12+i%4*12)), limit(compliancev1.IntervalLimit_HOURS, int64(100+i*10)*3600)
	switch i % 5 {
	case 0, 1:
		r.Repeat = months
	case 2:
		r.Repeat = limit(compliancev1.IntervalLimit_DAYS, int64(90+i))
	case 3:
		r.Repeat = hours
	default:
		r.Repeat = &compliancev1.LimitTree{Limits: append(months.GetLimits(), hours.GetLimits()...)}
	}
	return r
}

// benchPlanes are aircraft with an engine each, from one number to before another, with all that was signed about them; many rows a statement, so that a
// million of them take minutes.
func benchPlanes(ctx context.Context, tx *storage.Tx, first, end, each int) error {
	var planes []*compliancev1.Aircraft
	var engines []*compliancev1.Engine
	var done []*compliancev1.Accomplishment
	for i := first; i < end; i++ {
		plane := &compliancev1.Aircraft{
			Name: fmt.Sprintf("aircraft/p%04d", i), Registration: fmt.Sprintf("D-%04d", i), Counters: counters, CountersDate: on(2026, 3, 1),
			FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 2 + float64(i%10)/10, CyclesPerDay: 2}, TimeZone: []string{"UTC", "Europe/Oslo"}[i%2],
		}
		engine := &compliancev1.Engine{
			Name: fmt.Sprintf("engines/e%04d", i), Serial: fmt.Sprintf("E-%04d", i), EngineModel: "engineModels/demo", Counters: counters, CountersDate: on(2026, 3, 1),
			Aircraft: plane.GetName(), Position: "1",
		}
		plane.Engines = []string{engine.GetName()}
		planes, engines, done = append(planes, plane), append(engines, engine), append(done, benchRecords(i, each, plane.GetName(), engine.GetName())...)
	}
	return cmp.Or(insertAll(ctx, tx, store.Aircraft, planes), insertAll(ctx, tx, store.Engines, engines), insertAll(ctx, tx, store.Accomplishments, done))
}

// benchRecords say of each requirement when it was last done on an aircraft or its engine: within the last 300 days.
func benchRecords(i, each int, plane, engine string) []*compliancev1.Accomplishment {
	done := make([]*compliancev1.Accomplishment, each)
	for r := range done {
		ago := (i*37 + r*101) % 300
		done[r] = &compliancev1.Accomplishment{
			Name: fmt.Sprintf("requirements/r%03d/accomplishments/p%04d", r, i), Subject: []string{plane, engine}[r%2], DoneDate: day(start.AddDate(0, 0, -ago)),
			Counters:  &compliancev1.Counters{OperatingSeconds: counters.GetOperatingSeconds() - int64(ago)*3600, Cycles: 700},
			Certifier: "people/ada", LateEntryReason: "before the suite",
		}
	}
	return done
}

func insertAll[T proto.Message](ctx context.Context, tx *storage.Tx, table *resource.Table[T], all []T) error {
	rows, err := table.Rows(all, start)
	if err != nil {
		return err
	}
	_, err = table.InsertAll(ctx, tx, rows)
	return err
}

// engines runs a benchmark on both engines.
func engines(b *testing.B, fn func(b *testing.B, db *storage.DB)) {
	b.Helper()
	b.Run("sqlite", func(b *testing.B) { fn(b, storagetest.SQLite(b, store.Migrations())) })
	b.Run("postgres", func(b *testing.B) { fn(b, storagetest.Postgres(b, store.Migrations())) })
}

// fleetSize is 1,000 aircraft, or as many as COLDSECTION_BENCH_AIRCRAFT says.
func fleetSize() int {
	if n, err := strconv.Atoi(os.Getenv("COLDSECTION_BENCH_AIRCRAFT")); err == nil {
		return n
	}
	return 1_000
}

// BenchmarkFleet works out what is due on a whole fleet, each time on a new day: from what is kept, which is what a day costs, and whole from
// history. Target: 1,000 aircraft with 200 requirements each within a second, in both ways; from history that takes two cores that
// nobody else keeps busy, so that the computing time of this process, which it prints beside items per second, is to be below two seconds.
func BenchmarkFleet(b *testing.B) {
	engines(b, func(b *testing.B, db *storage.DB) {
		b.Helper()
		planes := fleetSize()
		a, now := fleetOf(b, db, planes, requirementsEach)
		if err := a.RecomputeAll(b.Context()); err != nil {
			b.Fatal(err)
		}
		items := planes * requirementsEach
		measure := func(b *testing.B, work func(context.Context) error) {
			b.Helper()
			used := cpu(b)
			for b.Loop() {
				now.Advance(24 * time.Hour)
				if err := work(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric((cpu(b)-used).Seconds()/float64(b.N), "cpu-s/fleet")
			each := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(each, "s/fleet")
			b.ReportMetric(float64(items)/each, "items/s")
		}
		b.Run("a new day", func(b *testing.B) { measure(b, a.Sweep) })
		b.Run("from history", func(b *testing.B) { measure(b, a.RecomputeAll) })
		page(b, a, now)
	})
}

// cpu is the time that this process has computed, on all cores: what a busy machine does not lengthen.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// page reads the first page of the due list through the whole server, by each filter that people use. Target: 10 ms.
func page(b *testing.B, a *app.App, now *clock.Fake) {
	b.Helper()
	s, err := rpc.NewServer(rpc.Deps{Clock: now, IDs: a.IDs, Keys: a.Keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	server.Register(s, a)
	queries := compliancev1.NewComplianceQueryServiceClient(rpctest.Dial(b, s, rpc.Caller{Keys: a.Keys, Clock: now}))
	ctx := auth.NewContext(b.Context(), auth.Identity{Account: "accounts/ada", Person: "people/ada", Roles: []string{"viewer"}, Kind: auth.Human})
	for name, filter := range map[string]string{
		"all": "", "band": "band = NEAR", "subject": `subject = "engines/e0003"`,
		"requirement": `requirement = "requirements/r013"`, "requirement and band": `requirement = "requirements/r013" AND band = CURRENT`,
		"within a month": "due_date > 2026-01-01 AND due_date < 2026-05-01",
	} {
		b.Run("first page/"+name, func(b *testing.B) {
			pages(b, func() int {
				got, err := queries.ListDueItems(ctx, &compliancev1.ListDueItemsRequest{Filter: filter})
				if err != nil || len(got.GetDueItems()) == 0 {
					b.Fatalf("%d items, %v", len(got.GetDueItems()), err)
				}
				return len(got.GetDueItems())
			})
		})
	}
}

// pages reads a page again and again, 300 times for each round. It prints by the clock what the first one took, with whatever was cold, and half and 99 of
// 100 of the others, as they are in a process that serves; and what a page takes of the processor, which a busy machine does not lengthen.
func pages(b *testing.B, ask func() (items int)) {
	b.Helper()
	wall := clock.System()
	timed := func() time.Duration {
		begun := wall.Now()
		ask()
		return wall.Now().Sub(begun)
	}
	cold, items := timed(), ask()
	var each []time.Duration
	used, all := cpu(b), time.Duration(0)
	for b.Loop() {
		for range 300 {
			took := timed()
			each, all = append(each, took), all+took
		}
	}
	spent := (cpu(b) - used).Seconds()
	slices.Sort(each)
	b.ReportMetric(spent*1000/float64(len(each)), "cpu-ms/page")
	b.ReportMetric(cold.Seconds()*1000, "cold-ms")
	b.ReportMetric(each[len(each)/2].Seconds()*1000, "p50-ms")
	b.ReportMetric(each[len(each)*99/100].Seconds()*1000, "p99-ms")
	b.ReportMetric(float64(items*len(each))/all.Seconds(), "items/s")
	b.ReportMetric(0, "ns/op") // of a round, which says nothing
}
