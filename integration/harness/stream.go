package harness

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"golang.org/x/sync/errgroup"

	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/suite"
)

// clusterSize is how many event servers a cluster has: the fewest that go on when one is lost.
const clusterSize = 3

// StreamCluster starts a cluster of three event servers that know the rights of parts, with their files in a temporary folder; it returns their
// addresses and the folder with the keys.
func StreamCluster(t testing.TB) (urls, keys string) {
	t.Helper()
	keys = filepath.Join(t.TempDir(), "keys")
	if err := eventbus.MakeKeys(keys, suite.Parts...); err != nil {
		t.Fatal(err)
	}
	public, err := eventbus.LoadPublic(filepath.Join(keys, "public"))
	if err != nil {
		t.Fatal(err)
	}
	clients, routes := Addresses(t, clusterSize), Addresses(t, clusterSize)
	ctx, end := context.WithCancel(context.WithoutCancel(t.Context()))
	ready, running := make(chan error, 2*clusterSize), &errgroup.Group{}
	t.Cleanup(func() {
		end()
		if err := running.Wait(); err != nil {
			t.Error(err)
		}
	})
	for i := range clients {
		cfg := eventbus.ServerConfig{
			Name: fmt.Sprintf("events-%d", i+1), Dir: t.TempDir(), Listen: clients[i], Cluster: routes[i], Routes: routes, Rights: suite.EventRights(), Keys: public,
		}
		running.Go(func() error {
			err := eventbus.Serve(ctx, cfg, func() { ready <- nil })
			ready <- err // nobody waits in vain for one that does not begin
			return err
		})
	}
	for range clients {
		if err := <-ready; err != nil {
			t.Fatal(err)
		}
	}
	urls = "nats://" + strings.Join(clients, ",nats://")
	_, done, err := eventbus.OpenFor(t.Context(), eventbus.Config{URL: urls, Rights: suite.EventRights()}, keys, suite.Gateway) // waits for a leader
	if err != nil {
		t.Fatal(err)
	}
	done()
	return urls, keys
}

// StreamServer starts one event server that does not wait for its disk, for measurements, and returns its address.
func StreamServer(t testing.TB) string {
	t.Helper()
	address := Address(t)
	host, port := split(t, address)
	run(t, &natsserver.Options{ServerName: "events", Host: host, Port: port, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir()})
	return "nats://" + address
}

// EventServer is one event server that can be away for a while.
type EventServer struct {
	URL string

	t       testing.TB
	options natsserver.Options
	server  *natsserver.Server
}

// OneEventServer starts an event server with its files in a temporary folder; it ends with the test.
func OneEventServer(t testing.TB) *EventServer {
	t.Helper()
	address := Address(t)
	host, port := split(t, address)
	e := &EventServer{URL: "nats://" + address, t: t, options: natsserver.Options{
		ServerName: "events", Host: host, Port: port, NoSigs: true, NoLog: true, JetStream: true, SyncAlways: true, StoreDir: t.TempDir(),
	}}
	e.Again()
	t.Cleanup(e.Stop)
	return e
}

// Stop ends the server, as its operator would.
func (e *EventServer) Stop() {
	e.server.Shutdown()
	e.server.WaitForShutdown()
}

// Again runs the server on the same address and files.
func (e *EventServer) Again() {
	e.t.Helper()
	options := e.options // a server changes its options
	server, err := natsserver.NewServer(&options)
	if err != nil {
		e.t.Fatal(err)
	}
	server.Start()
	if e.server = server; !server.ReadyForConnections(readyLimit) {
		e.t.Fatal("the event server does not get ready")
	}
}

// run runs an event server until the end of the test.
func run(t testing.TB, options *natsserver.Options) *natsserver.Server {
	t.Helper()
	server, err := natsserver.NewServer(options)
	if err != nil {
		t.Fatal(err)
	}
	server.Start()
	t.Cleanup(func() { server.Shutdown(); server.WaitForShutdown() })
	return server
}

func split(t testing.TB, address string) (host string, port int) {
	t.Helper()
	host, text, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	if port, err = strconv.Atoi(text); err != nil {
		t.Fatal(err)
	}
	return host, port
}
