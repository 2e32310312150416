package server_test

import (
	"context"
	"fmt"
	"slices"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// BenchmarkIngest streams readings over gRPC and inserts the same rows bare, in batches of the same size but for the first few, by turns in one run:
//
//	go test ./services/performance/internal/server -run '^$' -bench Ingest -benchtime 1x
//
// Each figure is the median of some rounds: in the first one the process grows into the memory that it needs, and others on the machine
// meet one round or the other. "kept/bare" is the rate until the readings are durable over the bare rate, "answered/bare" the rate until
// the stream is answered, when the engine is worked out, too. "processor" is the processor time of a row until the answer, the client's
// part included, beside that of a bare one: on a machine that others keep busy it tells more than the rates.
func BenchmarkIngest(b *testing.B) {
	for name, open := range map[string]func(testing.TB, storage.Migrations) *storage.DB{"sqlite": storagetest.SQLite, "postgres": storagetest.Postgres} {
		b.Run(name, func(b *testing.B) {
			found := map[string][]float64{}
			note := func(unit string, value float64) { found[unit] = append(found[unit], value) }
			for range 5 * b.N {
				kept, answered, ours, readings := ingest(b, open(b, store.Migrations()))
				bare, theirs := insertBare(b, open(b, store.Migrations()), readings)
				note("kept-rows/s", ingested/kept.Seconds())
				note("bare-rows/s", ingested/bare.Seconds())
				note("kept/bare", bare.Seconds()/kept.Seconds())
				note("answered/bare", bare.Seconds()/answered.Seconds())
				note("processor-µs/row", 1e6*ours.Seconds()/ingested)
				note("processor-µs/bare-row", 1e6*theirs.Seconds()/ingested)
			}
			for unit, values := range found {
				slices.Sort(values)
				b.ReportMetric(values[len(values)/2], unit)
			}
		})
	}
}

const ingested, perCommit = 4_000, 500

// ingest streams the readings and measures until the last is durable and until the answer.
func ingest(b *testing.B, db *storage.DB) (kept, answered, used time.Duration, readings []*performancev1.Reading) {
	b.Helper()
	e := benchOn(b, db)
	m := e.withModel(nil)
	reqs := make([]*performancev1.StreamReadingsRequest, ingested)
	for i := range reqs {
		reqs[i] = flowing(m, ingested-i)
	}
	of(e.CreateReading(e.analyst(), &performancev1.CreateReadingRequest{Parent: engineName, Reading: newReading(m, ingested+1).GetReading()})).done(b) // the engine is known
	e.clock.Advance(time.Second)
	stop := make(chan time.Duration, 1)
	started, before := clock.System().Now(), processor(b)
	go watch(b.Context(), db, started, stop)
	got, err := e.send(reqs...)
	answered, used = clock.System().Now().Sub(started), processor(b)-before
	if err != nil || got.GetTakenCount() != ingested {
		b.Fatalf("got %v, %v", got, err)
	}
	kept = <-stop
	err = db.View(b.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		readings, err = store.Readings.Where(ctx, tx, "source_id <> '' ORDER BY read_time")
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return kept, answered, used, readings
}

// watch tells when all readings are there, beside the one that made the engine known. It asks what is quick to answer, so that the
// asking takes no part of what is measured.
func watch(ctx context.Context, db *storage.DB, started time.Time, stop chan<- time.Duration) {
	for n := 0; n < ingested && ctx.Err() == nil; {
		err := db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT count(*) - 1 FROM readings").Scan(&n)
		})
		if err != nil {
			break
		}
		pause, cancel := context.WithTimeout(ctx, 5*time.Millisecond)
		<-pause.Done()
		cancel()
	}
	stop <- clock.System().Now().Sub(started)
}

// processor is the processor time that this process has used.
func processor(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func insertBare(b *testing.B, db *storage.DB, readings []*performancev1.Reading) (took, used time.Duration) {
	b.Helper()
	type row struct {
		name string
		body []byte
		at   int64
		id   string
	}
	rows := make([]row, len(readings))
	for i, r := range readings {
		body, err := proto.Marshal(r)
		if err != nil {
			b.Fatal(err)
		}
		rows[i] = row{r.GetName(), body, storage.Micros(r.GetReadTime().AsTime()), r.GetSourceId()}
	}
	started, before := clock.System().Now(), processor(b)
	for first := 0; first < len(rows); first += perCommit {
		err := db.Update(b.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for _, r := range rows[first:min(first+perCommit, len(rows))] {
				if _, err := tx.Exec(ctx, `INSERT INTO readings (name, version, body, state, read_time, create_time, source, source_id)
					VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`, r.name, int64(1), r.body, "ACCEPTED", r.at, r.at, "recorder", r.id); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(fmt.Errorf("bare insert: %w", err))
		}
	}
	return clock.System().Now().Sub(started), processor(b) - before
}
