package peers_test

import (
	"bytes"
	"crypto/tls"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health/grpc_health_v1"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/peers/peerstest"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

var (
	noon        = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	compliance  = peers.Name("coldsection", "compliance")
	consumables = peers.Name("coldsection", "consumables")
	performance = peers.Name("coldsection", "performance")
)

// world is a server of compliance that consumables may call.
type world struct {
	t         *testing.T
	clock     *clock.Fake
	authority *peerstest.Authority
	files     peers.Files
	keys      *auth.Keys
	server    *rpc.Server
	address   string
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, clock: clock.NewFake(noon), authority: peerstest.New(t, noon.Add(-time.Hour))}
	w.files = w.authority.Files(compliance)
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	w.keys = keys
	w.server, err = rpc.NewServer(rpc.Deps{
		Clock: w.clock, IDs: ids.System(), Log: slog.New(slog.DiscardHandler), Keys: keys, Peers: []string{consumables},
	}, grpc.Creds(w.load(w.files).Serve()))
	if err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w.address = listener.Addr().String()
	rpctest.Serve(t, w.server)
	go func() { _ = w.server.Serve(listener) }()
	return w
}

func (w *world) load(files peers.Files) *peers.Identity {
	w.t.Helper()
	i, err := peers.Load(files, w.clock)
	if err != nil {
		w.t.Fatal(err)
	}
	return i
}

// call asks the server for its health on a connection of its own and returns the reason of a refusal.
func (w *world) call(creds credentials.TransportCredentials) string {
	w.t.Helper()
	conn, err := rpc.Caller{Keys: w.keys, Clock: w.clock, As: "consumables", Credentials: creds}.Dial(w.address)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	_, err = grpc_health_v1.NewHealthClient(conn).Check(w.t.Context(), &grpc_health_v1.HealthCheckRequest{})
	if f, ok := fault.As(err); ok {
		return f.Reason
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// Cases C12 and C13.
func TestOnlyThePeersThatThePolicyNamesCall(t *testing.T) {
	w := newWorld(t)
	right := w.load(w.authority.Files(consumables, performance))
	stranger := peerstest.New(t, noon.Add(-time.Hour))
	forged := stranger.Files(consumables)
	forged.CA = w.files.CA
	for name, c := range map[string]struct {
		creds credentials.TransportCredentials
		want  string
	}{
		"the right one": {right.Call(compliance), ""}, "another part": {w.load(w.authority.Files(performance)).Call(compliance), "PEER_NOT_ALLOWED"},
		"another trust domain":          {w.load(w.authority.Files("spiffe://elsewhere/consumables")).Call(compliance), "PEER_NOT_ALLOWED"},
		"no name":                       {w.load(w.authority.Files()).Call(compliance), "PEER_NOT_ALLOWED"},
		"an authority of its own":       {w.load(forged).Call(compliance), "SERVICE_UNREACHABLE"},
		"the clear":                     {nil, "SERVICE_UNREACHABLE"},
		"expecting another part":        {right.Call(performance), "SERVICE_UNREACHABLE"},
		"a server of another authority": {w.load(stranger.Files(consumables)).Call(compliance), "SERVICE_UNREACHABLE"},
		"no certificate":                {credentials.NewTLS(&tls.Config{InsecureSkipVerify: true}), "SERVICE_UNREACHABLE"},
	} {
		if got := w.call(c.creds); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	memory := rpc.Caller{Keys: w.keys, Clock: w.clock, As: "performance"}.Memory(w.server)
	if _, err := grpc_health_v1.NewHealthClient(memory).Check(t.Context(), &grpc_health_v1.HealthCheckRequest{}); err != nil {
		t.Errorf("a caller of the same process: %v", err)
	}
	for name, shift := range map[string]time.Duration{"not yet valid": -2 * time.Hour, "expired": 26 * time.Hour} {
		w.clock.Advance(shift)
		if got := w.call(right.Call(compliance)); got != "SERVICE_UNREACHABLE" {
			t.Errorf("%s: %q", name, got)
		}
		w.clock.Advance(-shift)
	}
}

// Cases C13 and OPS-10: both sides get new certificates while calls go on, each on a connection of its own or on one that
// stays.
func TestCertificatesAreRenewedUnderLoad(t *testing.T) {
	w := newWorld(t)
	files := w.authority.Files(consumables)
	mine := w.load(files)
	var done sync.WaitGroup
	stop := make(chan struct{})
	refusals := make(chan string, 1000)
	for range 4 {
		done.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					if reason := w.call(mine.Call(compliance)); reason != "" {
						refusals <- reason
					}
				}
			}
		})
	}
	var last int64
	for range 20 {
		last = w.authority.Renew(w.files, compliance)
		w.authority.Renew(files, consumables)
		if reason := w.call(mine.Call(compliance)); reason != "" {
			refusals <- reason
		}
	}
	close(stop)
	done.Wait()
	if n := len(refusals); n > 0 {
		t.Errorf("%d calls were refused, the first with %s", n, <-refusals)
	}
	if got := w.shown(); got != last {
		t.Errorf("the server shows the certificate %d, want %d", got, last)
	}
	if err := os.WriteFile(w.files.Cert, []byte("half a file"), 0o600); err != nil {
		t.Fatal(err)
	}
	if reason, got := w.call(mine.Call(compliance)), w.shown(); reason != "" || got != last {
		t.Errorf("with a file that is no certificate: %q, shown %d", reason, got)
	}
}

// shown is the serial number of the certificate that the server shows.
func (w *world) shown() int64 {
	w.t.Helper()
	dialer := &tls.Dialer{Config: &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}}}
	conn, err := dialer.DialContext(w.t.Context(), "tcp", w.address)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	secured, _ := conn.(*tls.Conn)
	return secured.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
}

func TestTheFilesAreReadAtStart(t *testing.T) {
	good := peerstest.New(t, noon).Files(compliance)
	for want, files := range map[string]peers.Files{
		"the TLS certificate /nowhere": {Cert: "/nowhere", Key: good.Key, CA: good.CA}, "the TLS certificate ": {Cert: good.Cert, Key: good.Cert, CA: good.CA},
		"the TLS authorities: open": {Cert: good.Cert, Key: good.Key, CA: "/nowhere"}, "has no certificate": {Cert: good.Cert, Key: good.Key, CA: good.Key},
	} {
		if _, err := peers.Load(files, clock.NewFake(noon)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

func TestThePublicNeedsTLS12(t *testing.T) {
	authority := peerstest.New(t, noon.Add(-time.Hour))
	identity, err := peers.Load(authority.Files(), clock.NewFake(noon))
	if err != nil {
		t.Fatal(err)
	}
	listener, err := tls.Listen("tcp", "127.0.0.1:0", identity.Public())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go func() { _, _ = conn.Read(make([]byte, 1)); _ = conn.Close() }()
		}
	}()
	for version, want := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		dialer := &tls.Dialer{Config: &tls.Config{InsecureSkipVerify: true, MinVersion: version, MaxVersion: version}}
		conn, err := dialer.DialContext(t.Context(), "tcp", listener.Addr().String())
		if (err == nil) != want {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
		if err == nil {
			_ = conn.Close()
		}
	}
}
