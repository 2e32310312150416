package server_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// flowing is the n-th reading of a stream.
func flowing(m *performancev1.EngineModel, n int) *performancev1.StreamReadingsRequest {
	r := newReading(m, n).GetReading()
	r.Source, r.SourceId = "recorder", fmt.Sprintf("n%d", n)
	return &performancev1.StreamReadingsRequest{Parent: engineName, Reading: r}
}

func (b bench) send(reqs ...*performancev1.StreamReadingsRequest) (*performancev1.StreamReadingsResponse, error) {
	b.t.Helper()
	stream := of(b.StreamReadings(b.as("integrator"))).done(b.t)
	for _, req := range reqs {
		if stream.Send(req) != nil {
			break // the answer says why
		}
	}
	return stream.CloseAndRecv()
}

// A stream sent again takes nothing twice, whatever part of it came before; refusals name the reading by its number.
func TestAStreamMayBeSentAgain(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		var all []*performancev1.StreamReadingsRequest
		for n := 1200; n > 0; n-- {
			all = append(all, flowing(m, n))
		}
		all[700].Parent = "engines/nobody"
		all[800].Reading.Oat = in("cold", "Cel")
		got := of(b.send(all[:650]...)).done(t)
		if got.GetTakenCount() != 650 || got.GetReceivedCount() != 650 || got.GetLastSourceId() != "n551" || got.GetRefusedCount() != 0 {
			t.Errorf("got %v", got)
		}
		got = of(b.send(all...)).done(t)
		if got.GetKnownCount() != 650 || got.GetTakenCount() != 548 || got.GetRefusedCount() != 2 || got.GetLastSourceId() != "n1" || len(got.GetProblems()) != 2 {
			t.Fatalf("got %v", got)
		}
		for i, want := range []string{"701 ENGINE_UNKNOWN", "801 VALUE_NOT_A_NUMBER"} {
			if p := got.GetProblems()[i]; fmt.Sprintf("%d %s", p.GetLine(), p.GetReason()) != want {
				t.Errorf("got %v, want %s", p, want)
			}
		}
		trend := of(b.GetTrend(b.analyst(), &performancev1.GetTrendRequest{Name: engineName + "/trend"})).done(t)
		if len(trend.GetPoints()) != 1198 {
			t.Errorf("%d points", len(trend.GetPoints()))
		}
	})
}

// Readings that came before a message that breaks the contract, or before the sender went away, are kept and worked out.
func TestAStreamThatBreaksKeepsWhatCame(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		bad := flowing(m, 1)
		bad.Parent = ""
		if _, err := b.send(flowing(m, 3), flowing(m, 2), bad); status.Code(err) != codes.InvalidArgument {
			t.Errorf("got %v", err)
		}
		for _, r := range b.readings() {
			if r.GetDeviation() == nil {
				t.Errorf("%s is not worked out", r.GetName())
			}
		}
		if n := len(b.readings()); n != 2 {
			t.Errorf("%d readings", n)
		}
		ctx, cancel := context.WithTimeout(b.as("integrator"), time.Minute)
		stream := of(b.StreamReadings(ctx)).done(t)
		for n := 600; n > 50; n-- {
			if err := stream.Send(flowing(m, n)); err != nil {
				t.Fatal(err)
			}
		}
		cancel()
		got := of(b.send(flowing(m, 600), flowing(m, 599))).done(t)
		if got.GetKnownCount()+got.GetTakenCount() != 2 {
			t.Errorf("got %v", got)
		}
	})
}

// What panics over a reading ends its stream and not the process; what came before is kept.
func TestAPanicOverAReadingEndsItsStream(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		given := []*performancev1.StreamReadingsRequest{flowing(m, 3), flowing(m, 2), flowing(m, 1)}
		at := 0
		_, err := b.app.StreamReadings(b.analyst(), func() (*performancev1.StreamReadingsRequest, error) {
			if at == len(given) {
				panic("boom")
			}
			at++
			return given[at-1], nil
		})
		if err == nil || !strings.Contains(err.Error(), "boom") {
			t.Errorf("got %v", err)
		}
		if kept := len(b.readings()); kept != len(given) {
			t.Errorf("%d readings are kept, want %d", kept, len(given))
		}
	})
}
