package door

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"testing"

	"google.golang.org/protobuf/encoding/protodelim"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
)

// How many orders changed, and what is asked for at once.
const (
	changed = 100_000
	page    = 1000
	started = "coldsection.workorder.started.v1" // no part of the suite acts on it
)

// publish puts facts about as many orders on the stream as a year or two of a fleet have.
func publish(b *testing.B, nats string) {
	b.Helper()
	bus, err := eventbus.Open(b.Context(), eventbus.Config{URL: nats, Replicas: 1})
	if err != nil {
		b.Fatal(err)
	}
	defer bus.Close()
	numbers, now := make(chan int), clock.System().Now()
	var all sync.WaitGroup
	for range 64 {
		all.Go(func() {
			for n := range numbers {
				order := fmt.Sprintf("workOrders/measured-%06d", n)
				e := outbox.New(fmt.Sprintf("measured-%06d", n), now, "workorders", started, order,
					&workordersv1.WorkOrderChanged{WorkOrder: order, Number: fmt.Sprintf("WO-%06d", n), State: "STARTED", Kind: "RECOVERY_WASH"})
				e.Version = 1
				if err := bus.Publish(b.Context(), e); err != nil {
					b.Error(err)
				}
			}
		})
	}
	for n := range changed {
		numbers <- n
	}
	close(numbers)
	all.Wait()
}

// overGRPC pulls the feed page by page and returns what it holds.
func overGRPC(b *testing.B, s *stage) []*accessv1.Event {
	b.Helper()
	var events []*accessv1.Event
	for after := ""; len(events) < changed; {
		answer, err := accessv1.NewEventsServiceClient(s.door).ListEvents(bearer(b.Context(), s.token),
			&accessv1.ListEventsRequest{After: after, Types: []string{started}, PageSize: page})
		if err != nil {
			b.Fatal(err)
		}
		events, after = append(events, answer.GetEvents()...), answer.GetNextCursor()
	}
	return events
}

// watched follows the feed as a stream.
func watched(b *testing.B, s *stage) int {
	b.Helper()
	stream, err := accessv1.NewEventsServiceClient(s.door).WatchEvents(bearer(b.Context(), s.token), &accessv1.WatchEventsRequest{Types: []string{started}})
	if err != nil {
		b.Fatal(err)
	}
	n := 0
	for ; n < changed; n++ {
		if _, err := stream.Recv(); err != nil {
			b.Fatal(err)
		}
	}
	return n
}

// overREST pulls the feed page by page, as CloudEvents.
func overREST(b *testing.B, s *stage) int {
	b.Helper()
	n := 0
	for after := ""; n < changed; {
		req, err := http.NewRequestWithContext(b.Context(), http.MethodGet, s.URL(fmt.Sprintf("/v1/events?types=%s&pageSize=%d&after=%s", started, page, after)), http.NoBody)
		if err != nil {
			b.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+s.token)
		req.Header.Set("Accept", "application/cloudevents-batch+json")
		resp, err := client.Do(req)
		if err != nil {
			b.Fatal(err)
		}
		var events []json.RawMessage
		if err := json.NewDecoder(resp.Body).Decode(&events); err != nil {
			b.Fatal(err)
		}
		_ = resp.Body.Close()
		n, after = n+len(events), resp.Header.Get("Next-Cursor")
	}
	return n
}

// bare sends the same messages over a loopback connection, one after the other with their lengths, and reads them there.
func bare(b *testing.B, events []*accessv1.Event) int {
	b.Helper()
	listener, err := (&net.ListenConfig{}).Listen(b.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	sent := make(chan error, 1)
	go func() {
		conn, err := listener.Accept()
		if err != nil {
			sent <- err
			return
		}
		out := bufio.NewWriter(conn)
		for _, e := range events {
			if _, err := protodelim.MarshalTo(out, e); err != nil {
				sent <- err
				return
			}
		}
		sent <- errors.Join(out.Flush(), conn.Close())
	}()
	conn, err := (&net.Dialer{}).DialContext(b.Context(), "tcp", listener.Addr().String())
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	n := 0
	for in := bufio.NewReader(conn); ; n++ {
		if err := protodelim.UnmarshalFrom(in, &accessv1.Event{}); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			b.Fatal(err)
		}
	}
	if err := <-sent; err != nil {
		b.Fatal(err)
	}
	return n
}

// BenchmarkPull prints how many changes of orders in a second are pulled from the feed over gRPC, followed as a stream, and pulled over REST, beside a bare
// stream of the same messages over loopback.
func BenchmarkPull(b *testing.B) {
	for _, mode := range modes {
		s := mode.open(b)
		publish(b, s.nats)
		b.Run(mode.name, func(b *testing.B) {
			var events []*accessv1.Event
			for b.Loop() {
				for _, w := range []struct {
					name string
					pull func() int
				}{
					{"grpc", func() int { events = overGRPC(b, s); return len(events) }}, {"watch", func() int { return watched(b, s) }},
					{"rest", func() int { return overREST(b, s) }}, {"bare", func() int { return bare(b, events) }},
				} {
					began := clock.System().Now()
					if n := w.pull(); n != changed {
						b.Fatalf("%s: %d changes, want %d", w.name, n, changed)
					}
					b.ReportMetric(changed/clock.System().Now().Sub(began).Seconds(), w.name+"/s")
				}
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}
