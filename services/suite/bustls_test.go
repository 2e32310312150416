package suite_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/peers/peerstest"
	"coldsection.example/services/suite"
)

// overTLS is an event server of an operator's own that speaks TLS, asks for certificates of the same authority, and knows the keys of the parts.
func overTLS(t *testing.T, authority *peerstest.Authority, keys string) string {
	t.Helper()
	files := authority.Files()
	cert, err := tls.LoadX509KeyPair(files.Cert, files.Key)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(files.CA)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	public, err := eventbus.LoadPublic(filepath.Join(keys, "public"))
	if err != nil {
		t.Fatal(err)
	}
	known, err := eventbus.Users(suite.EventRights(), public)
	if err != nil {
		t.Fatal(err)
	}
	return eventbustest.OverTLS(t, known, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert}, ClientCAs: roots, ClientAuth: tls.RequireAndVerifyClientCert})
}

// Event servers at a tls:// address are called over TLS with the process's certificate: the suite serves, and tells facts there. Without a
// certificate, with one of another authority, or where the server's is of another authority, it does not start; nor without its keys.
func TestEventServersAreCalledOverTLS(t *testing.T) {
	now := clock.System().Now().Add(-time.Hour)
	ours, others := peerstest.New(t, now), peerstest.New(t, now)
	keys := filepath.Join(t.TempDir(), "keys")
	if err := eventbus.MakeKeys(keys, suite.Parts...); err != nil {
		t.Fatal(err)
	}
	address := overTLS(t, ours, keys)
	with := func(f peers.Files, url, keys string) suite.Config {
		return suite.Config{StateDir: t.TempDir(), NATS: url + address, Replicas: 1, EventKeys: keys, PeerCA: f.CA, PeerCert: f.Cert, PeerKey: f.Key}
	}
	mine := ours.Files(peers.Name("coldsection", suite.Gateway))
	s := start(t, with(mine, "tls://", keys))
	if err := s.Ready(t.Context()); err != nil {
		t.Errorf("it does not serve: %v", err)
	}
	s.Stop()
	foreign := others.Files(peers.Name("coldsection", suite.Gateway))
	mixed := peers.Files{CA: foreign.CA, Cert: mine.Cert, Key: mine.Key}
	unsigned := peers.Files{CA: mine.CA, Cert: foreign.Cert, Key: foreign.Key}
	for what, cfg := range map[string]suite.Config{
		"a certificate of another authority": with(unsigned, "tls://", keys), "a server of another authority": with(mixed, "tls://", keys),
		"no certificate": with(peers.Files{}, "tls://", keys), "an address that says nothing of TLS": with(mine, "nats://", keys), "no keys": with(mine, "tls://", ""),
	} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		if s, err := suite.Start(ctx, cfg, slog.New(slog.DiscardHandler)); err == nil {
			s.Stop()
			t.Errorf("%s: it starts", what)
		} else if !strings.Contains(err.Error(), "reaching the event stream") {
			t.Errorf("%s: %v", what, err)
		}
		cancel()
	}
}
