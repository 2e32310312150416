package server_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// BenchmarkIngest streams readings over gRPC and inserts the same rows bare, in batches of the same size, in one run:
//
//	go test ./services/performance/internal/server -run '^$' -bench Ingest -benchtime 1x
//
// "kept/bare" is the rate until the readings are durable over the bare rate, "answered/bare" the rate until the stream is
// answered, when the engine is worked out, too.
func BenchmarkIngest(b *testing.B) {
	for name, open := range map[string]func(testing.TB, storage.Migrations) *storage.DB{"sqlite": storagetest.SQLite, "postgres": storagetest.Postgres} {
		b.Run(name, func(b *testing.B) {
			var kept, answered, bare time.Duration
			for range b.N {
				k, a, readings := ingest(b, open(b, store.Migrations()))
				kept, answered = kept+k, answered+a
				bare += insertBare(b, open(b, store.Migrations()), readings)
			}
			b.ReportMetric(float64(b.N*ingested)/kept.Seconds(), "kept-rows/s")
			b.ReportMetric(float64(b.N*ingested)/bare.Seconds(), "bare-rows/s")
			b.ReportMetric(bare.Seconds()/kept.Seconds(), "kept/bare")
			b.ReportMetric(bare.Seconds()/answered.Seconds(), "answered/bare")
		})
	}
}

const ingested, perCommit = 4_000, 500

// ingest streams the readings and measures until the last is durable and until the answer.
func ingest(b *testing.B, db *storage.DB) (kept, answered time.Duration, readings []*performancev1.Reading) {
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
	started := clock.System().Now()
	go watch(b.Context(), db, started, stop)
	got, err := e.send(reqs...)
	answered = clock.System().Now().Sub(started)
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
	return kept, answered, readings
}

// watch tells when all readings are there.
func watch(ctx context.Context, db *storage.DB, started time.Time, stop chan<- time.Duration) {
	for n := 0; n < ingested && ctx.Err() == nil; {
		err := db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return tx.QueryRow(ctx, "SELECT count(*) FROM readings WHERE source_id <> ''").Scan(&n)
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

func insertBare(b *testing.B, db *storage.DB, readings []*performancev1.Reading) time.Duration {
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
	started := clock.System().Now()
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
	return clock.System().Now().Sub(started)
}
