// Package eventbustest opens event streams for tests.
package eventbustest

import (
	"crypto/tls"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"coldsection.example/services/platform/eventbus"
)

// Embedded opens an embedded stream in a temporary folder and closes it at the end of the test.
func Embedded(t testing.TB) *eventbus.Bus {
	t.Helper()
	return Open(t, t.TempDir())
}

// Open opens an embedded stream in this folder and closes it at the end of the test.
func Open(t testing.TB, dir string) *eventbus.Bus {
	t.Helper()
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(bus.Close)
	return bus
}

// OverTLS starts an event server of an operator's own, which knows these users and speaks TLS as configured, and returns its host and port.
func OverTLS(t testing.TB, known []*server.NkeyUser, config *tls.Config) string {
	t.Helper()
	const patience = time.Minute
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true, Nkeys: known, TLS: true, TLSVerify: true,
		TLSTimeout: patience.Seconds(), AuthTimeout: patience.Seconds(), TLSConfig: config,
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(patience) {
		t.Fatal("the event server does not listen")
	}
	_, address, _ := strings.Cut(s.ClientURL(), "://")
	return address
}
