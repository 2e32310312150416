package harness

import (
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"

	"coldsection.example/services/platform/clock"
)

// clusterSize is how many event servers a cluster has: the fewest that go on when one is lost.
const clusterSize = 3

// StreamCluster starts a cluster of three event servers with their files in a temporary folder and returns their addresses.
func StreamCluster(t testing.TB) string {
	t.Helper()
	clients, routes := Addresses(t, clusterSize), Addresses(t, clusterSize)
	servers := make([]*natsserver.Server, clusterSize)
	urls := make([]string, clusterSize)
	for i := range servers {
		servers[i] = startStreamServer(t, i, clients[i], routes)
		urls[i] = "nats://" + clients[i]
	}
	waitForLeader(t, servers)
	return strings.Join(urls, ",")
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

func startStreamServer(t testing.TB, i int, client string, routes []string) *natsserver.Server {
	t.Helper()
	host, port := split(t, client)
	routeHost, routePort := split(t, routes[i])
	peers := make([]*url.URL, len(routes))
	for k, r := range routes {
		peers[k] = &url.URL{Scheme: "nats-route", Host: r}
	}
	return run(t, &natsserver.Options{
		ServerName: fmt.Sprintf("events-%d", i+1), Host: host, Port: port, NoSigs: true, NoLog: true,
		JetStream: true, SyncAlways: true, StoreDir: t.TempDir(), Routes: peers,
		Cluster: natsserver.ClusterOpts{Name: "events", Host: routeHost, Port: routePort},
	})
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

// waitForLeader waits until the cluster can keep streams.
func waitForLeader(t testing.TB, servers []*natsserver.Server) {
	t.Helper()
	limit := clock.System().After(readyLimit)
	for {
		for _, s := range servers {
			if s.JetStreamIsLeader() && s.JetStreamIsCurrent() {
				return
			}
		}
		select {
		case <-limit:
			t.Fatal("the event servers do not agree on a leader")
		case <-clock.System().After(20 * time.Millisecond):
		}
	}
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
