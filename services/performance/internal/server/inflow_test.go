package server_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

// held are the source ids of what the store has of streams, from the oldest reading.
func (b bench) held() (ids []string) {
	b.t.Helper()
	err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		all, err := store.Readings.Where(ctx, tx, "source = 'recorder' ORDER BY read_time")
		for _, r := range all {
			ids = append(ids, r.GetSourceId())
		}
		return err
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return ids
}

// workedOut fails when a reading is not.
func (b bench) workedOut() {
	b.t.Helper()
	for _, r := range b.readings() {
		if r.GetDeviation() == nil {
			b.t.Fatalf("%s is not worked out", r.GetName())
		}
	}
}

// A batch of a stream is judged and encoded while the one before it is being written. A reading that comes again in the next batch is
// known there all the same, one that says something else under the same id is refused, and the engine comes out as without them.
func TestAStreamKnowsWhatItJustSent(t *testing.T) {
	var want *performancev1.Assessment
	benches(t, func(_ *testing.T, b bench) {
		b.flow(b.withModel(nil), 1200, 201, nil)
		want = b.stand()
	})
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		var reqs []*performancev1.StreamReadingsRequest
		for i := range 1500 { // the second batch is the first once more
			n := 1200 - i
			if i >= 500 {
				n += 500
			}
			reqs = append(reqs, flowing(m, n))
		}
		reqs[517].Reading.Itt = in("600", "Cel")
		got := of(b.send(reqs...)).done(t)
		if got.GetTakenCount() != 1000 || got.GetKnownCount() != 499 || got.GetRefusedCount() != 1 {
			t.Fatalf("got %v", got)
		}
		if p := got.GetProblems(); len(p) != 1 || p[0].GetLine() != 518 || p[0].GetReason() != "SOURCE_ID_REUSED" {
			t.Errorf("got %v", p)
		}
		b.workedOut()
		if s := b.stand(); s.GetReadingsUsed() != want.GetReadingsUsed() || !proto.Equal(s.GetIttDeviationC(), want.GetIttDeviationC()) {
			t.Errorf("%v, want %v", s, want)
		}
	})
}

// A batch that can't be written ends the stream. Those before it are kept and worked out, and none after it is written, although the
// next was ready.
func TestNoBatchIsWrittenAfterOneThatFailed(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		err := b.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			_, err := tx.Exec(ctx, "CREATE UNIQUE INDEX one_a_time ON readings (read_time)")
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		var reqs []*performancev1.StreamReadingsRequest
		for n := 2600; n > 0; n-- {
			reqs = append(reqs, flowing(m, n))
		}
		reqs[1250].Reading.ReadTime = reqs[10].GetReading().GetReadTime() // in the fifth batch
		if _, err := b.send(reqs...); status.Code(err) == codes.OK {
			t.Fatal("a store that refuses a batch was not noticed")
		}
		const kept = 62 + 124 + 248 + 496 // the batches before it; the first ones are small
		want := make([]string, 0, kept)
		for n := 2600; n > 2600-kept; n-- {
			want = append(want, fmt.Sprintf("n%d", n))
		}
		if got := b.held(); !slices.Equal(got, want) {
			t.Errorf("%d readings are kept, want the first %d", len(got), kept)
		}
		b.workedOut()
	})
}

// Whenever a sender goes away, what is kept is the beginning of what it sent, without a gap; sent again, all is there once.
func TestWhatIsKeptOfACutStreamHasNoGap(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		var reqs []*performancev1.StreamReadingsRequest
		for n := 2400; n > 0; n-- {
			reqs = append(reqs, flowing(m, n))
		}
		for _, cut := range []int{1100, 1700, 2400} {
			ctx, cancel := context.WithTimeout(b.as("integrator"), time.Minute)
			stream := of(b.StreamReadings(ctx)).done(t)
			for _, req := range reqs[:cut] {
				if err := stream.Send(req); err != nil {
					t.Fatal(err)
				}
			}
			cancel()
			if _, err := stream.CloseAndRecv(); status.Code(err) != codes.Canceled {
				t.Errorf("got %v", err)
			}
			for i, id := range b.held() {
				if id != reqs[i].GetReading().GetSourceId() {
					t.Fatalf("cut after %d: the reading %d that is kept is %s", cut, i, id)
				}
			}
		}
		got := of(b.send(reqs...)).done(t)
		if got.GetKnownCount()+got.GetTakenCount() != 2400 || len(b.held()) != 2400 {
			t.Errorf("got %v, %d kept", got, len(b.held()))
		}
	})
}

// What a sender does with a message after it was sent does not change what was sent.
func TestASenderMayUseItsMessageAgain(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		stream := of(b.StreamReadings(b.as("integrator"))).done(t)
		req := flowing(m, 0)
		var want []string
		for n := 600; n > 0; n-- {
			next := flowing(m, n)
			req.Parent = next.GetParent()
			req.Reading.ReadTime.Seconds, req.Reading.SourceId = next.GetReading().GetReadTime().GetSeconds(), next.GetReading().GetSourceId()
			if err := stream.Send(req); err != nil {
				t.Fatal(err)
			}
			want = append(want, req.GetReading().GetSourceId())
			req.Parent, req.Reading.SourceId = "engines/nobody", "used again"
		}
		if got := of(stream.CloseAndRecv()).done(t); got.GetTakenCount() != 600 || !slices.Equal(b.held(), want) {
			t.Errorf("got %v", got)
		}
	})
}
