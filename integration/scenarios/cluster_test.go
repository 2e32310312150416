package scenarios_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/integration/harness"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
)

// servers are three event servers that keep their files in one folder.
type servers struct {
	t       *testing.T
	folder  string
	clients []string
	routes  []string
	end     context.CancelFunc
	running *errgroup.Group
}

// start runs the servers until stop; they listen when it returns, and may have no leader yet.
func (s *servers) start() {
	s.t.Helper()
	ctx, end := context.WithCancel(s.t.Context())
	s.end, s.running = end, &errgroup.Group{}
	ready := make(chan struct{}, len(s.clients))
	for i := range s.clients {
		cfg := eventbus.ServerConfig{
			Name: fmt.Sprintf("events-%d", i), Dir: filepath.Join(s.folder, fmt.Sprint(i)), Listen: s.clients[i], Cluster: s.routes[i], Routes: s.routes,
		}
		s.running.Go(func() error { return eventbus.Serve(ctx, cfg, func() { ready <- struct{}{} }) })
	}
	for range s.clients {
		<-ready
	}
}

func (s *servers) stop() {
	s.t.Helper()
	s.end()
	if err := s.running.Wait(); err != nil {
		s.t.Fatal(err)
	}
}

func (s *servers) open() *eventbus.Bus {
	s.t.Helper()
	bus, err := eventbus.Open(s.t.Context(), eventbus.Config{URL: "nats://" + strings.Join(s.clients, ",nats://")})
	if err != nil {
		s.t.Fatal(err)
	}
	return bus
}

// publish hands over a fact with time enough for servers that just began.
func (s *servers) publish(bus *eventbus.Bus, e outbox.Event) error {
	ctx, cancel := context.WithTimeout(s.t.Context(), time.Minute)
	defer cancel()
	return bus.Publish(ctx, e)
}

// Three event servers that are all stopped and started again on their folders go on with every fact, although whoever connects at once finds
// them without a leader.
func TestEventServersGoOnOnTheirFolders(t *testing.T) {
	s := &servers{t: t, folder: t.TempDir(), clients: harness.Addresses(t, 3), routes: harness.Addresses(t, 3)}
	const each = 5
	for start := range 3 {
		s.start()
		bus := s.open()
		for i := range each {
			e := outbox.New(fmt.Sprintf("e-%d-%d", start, i), clock.System().Now(), "workorders", "coldsection.workorder.held.v1", fmt.Sprintf("workOrders/%d", start),
				&workordersv1.WorkOrderChanged{EventTime: timestamppb.New(clock.System().Now())})
			if err := s.publish(bus, e); err != nil {
				t.Fatal(err)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // servers that just began, on a busy machine, take their time
		facts, _, err := bus.Feed(ctx, eventbus.FeedQuery{Limit: 100})
		cancel()
		if err != nil || len(facts) != each*(start+1) {
			t.Errorf("after start %d the stream gives %d facts, %v", start+1, len(facts), err)
		}
		bus.Close()
		s.stop()
	}
}
