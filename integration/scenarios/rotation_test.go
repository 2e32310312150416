package scenarios

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"

	"coldsection.example/integration/harness"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/peers/peerstest"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/story"
)

// pair are two processes that call each other over TLS, the gateway and all services, and a third party that has a certificate of the gateway's.
type pair struct {
	t                    *testing.T
	authority            *peerstest.Authority
	secret               string // the file
	services, door, mine peers.Files
	public               peers.Files
	address              string // of compliance
	processes            []*harness.Process
	conn                 *grpc.ClientConn
}

var partNames = []string{
	peers.Name("coldsection", "compliance"), peers.Name("coldsection", "consumables"), peers.Name("coldsection", "performance"),
	peers.Name("coldsection", "workorders"),
}

func newPair(t *testing.T) *pair {
	t.Helper()
	gatewayName := peers.Name("coldsection", "gateway")
	p := &pair{t: t, authority: peerstest.New(t, clock.System().Now().Add(-time.Hour)), secret: filepath.Join(t.TempDir(), "secret"), address: harness.Address(t)}
	p.services, p.door, p.mine, p.public = p.authority.Files(partNames...), p.authority.Files(gatewayName), p.authority.Files(gatewayName), p.authority.Files()
	p.write("a")
	common := []string{"--secret", p.secret, "--nats", harness.StreamServer(t), "--replicas", "1"}
	with := func(f peers.Files, args ...string) []string {
		return append(append(args, common...), "--peer-ca", f.CA, "--peer-cert", f.Cert, "--peer-key", f.Key)
	}
	serving := with(p.services, "serve", "compliance", "consumables", "performance", "workorders", "--state", t.TempDir(), "--listen", "compliance="+p.address)
	calling := with(p.door, "serve", "gateway", "--state", t.TempDir(), "--address", "compliance="+p.address)
	for _, part := range []string{"consumables", "performance", "workorders"} {
		address := harness.Address(t)
		serving, calling = append(serving, "--listen", part+"="+address), append(calling, "--address", part+"="+address)
	}
	outside := harness.Address(t)
	calling = append(calling, "--http", harness.Address(t), "--grpc", outside, "--tls-cert", p.public.Cert, "--tls-key", p.public.Key)
	p.processes = []*harness.Process{harness.Start(t, serving...), harness.Start(t, calling...)}
	conn, err := grpc.NewClient(outside, grpc.WithTransportCredentials(credentials.NewClientTLSFromCert(p.roots(), "")))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	p.conn = conn
	return p
}

func (p *pair) roots() *x509.CertPool {
	p.t.Helper()
	text, err := os.ReadFile(p.public.CA)
	if err != nil {
		p.t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	return pool
}

func secretOf(letter string) []byte { return []byte(strings.Repeat(letter, 32)) }

// write replaces the secrets of the file.
func (p *pair) write(letters ...string) {
	p.t.Helper()
	var lines string
	for _, l := range letters {
		lines += hex.EncodeToString(secretOf(l)) + "\n"
	}
	err := os.WriteFile(p.secret+".new", []byte(lines), 0o600)
	if err == nil {
		err = os.Rename(p.secret+".new", p.secret)
	}
	if err != nil {
		p.t.Fatal(err)
	}
}

func (p *pair) reload() {
	for _, process := range p.processes {
		process.Reload()
	}
}

// direct calls a service as the gateway would, with an assertion under one secret; "" when it answers.
func (p *pair) direct(letter string) string {
	p.t.Helper()
	keys, err := auth.NewKeys(secretOf(letter))
	if err != nil {
		p.t.Fatal(err)
	}
	mine, err := peers.Load(p.mine, clock.System())
	if err != nil {
		p.t.Fatal(err)
	}
	conn, err := rpc.Caller{Keys: keys, Clock: clock.System(), Credentials: mine.Call(partNames[0])}.Dial(p.address)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	ctx := auth.NewContext(p.t.Context(), auth.Identity{Account: "accounts/quinn", Roles: []string{"quality"}, Kind: auth.Human})
	_, err = compliancev1.NewComplianceQueryServiceClient(conn).ListEngines(ctx, &compliancev1.ListEnginesRequest{})
	return reasonOf(err)
}

// serial is the serial number of the certificate that an address shows now.
func (p *pair) serial(address string, cert peers.Files) int64 {
	p.t.Helper()
	own, err := tls.LoadX509KeyPair(cert.Cert, cert.Key)
	if err != nil {
		p.t.Fatal(err)
	}
	dialer := &tls.Dialer{Config: &tls.Config{RootCAs: p.roots(), Certificates: []tls.Certificate{own}, MinVersion: tls.VersionTLS12}}
	conn, err := dialer.DialContext(p.t.Context(), "tcp", address)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	secured, _ := conn.(*tls.Conn)
	return secured.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
}

// load are callers who go on until they are told to end, and what became of their calls.
type load struct {
	key     atomic.Pointer[string]
	rounds  [4]atomic.Int64
	failed  atomic.Pointer[error]
	stop    context.CancelFunc
	running sync.WaitGroup
}

func (p *pair) load(key string) *load {
	l := &load{}
	l.key.Store(&key)
	ctx, stop := context.WithCancel(p.t.Context())
	l.stop = stop
	p.t.Cleanup(stop)
	for i := range l.rounds {
		l.running.Go(func() {
			for ctx.Err() == nil {
				if err := p.round(context.WithoutCancel(ctx), *l.key.Load()); err != nil {
					l.failed.CompareAndSwap(nil, &err)
				}
				l.rounds[i].Add(1)
			}
		})
	}
	return l
}

// round is a call that the gateway answers itself, and two pages of a list of a service behind it.
func (p *pair) round(ctx context.Context, key string) error {
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+key)
	if _, err := accessv1.NewSessionServiceClient(p.conn).GetCurrentSession(ctx, &accessv1.GetCurrentSessionRequest{}); err != nil {
		return err
	}
	engines := compliancev1.NewComplianceQueryServiceClient(p.conn)
	page, err := engines.ListEngines(ctx, &compliancev1.ListEnginesRequest{PageSize: 1})
	if err != nil {
		return err
	}
	if page.GetNextPageToken() == "" {
		return errors.New("the list has one page")
	}
	_, err = engines.ListEngines(ctx, &compliancev1.ListEnginesRequest{PageSize: 1, PageToken: page.GetNextPageToken()})
	return err
}

// goOn waits until every caller has made two more rounds, so that one of them began after this.
func (l *load) goOn(t *testing.T) {
	t.Helper()
	limit := clock.System().After(time.Minute)
	for i := range l.rounds {
		for from := l.rounds[i].Load(); l.rounds[i].Load() < from+2; {
			select {
			case <-limit:
				t.Fatal("the callers hang")
			case <-clock.System().After(5 * time.Millisecond):
			}
		}
	}
}

// key makes a key for a machine.
func (p *pair) key(admin context.Context, id string) string {
	p.t.Helper()
	key, err := accessv1.NewAccessServiceClient(p.conn).CreateApiKey(admin, &accessv1.CreateApiKeyRequest{
		Parent: "accounts/erp", ApiKeyId: id, ApiKey: &accessv1.ApiKey{DisplayName: id},
	})
	if err != nil {
		p.t.Fatal(err)
	}
	return key.GetSecret()
}

// engines adds two engines, so that a list has two pages.
func (p *pair) engines(key string) {
	p.t.Helper()
	ctx := metadata.AppendToOutgoingContext(p.t.Context(), "authorization", "Bearer "+key)
	for _, serial := range []string{"one", "two"} {
		if _, err := compliancev1.NewComplianceServiceClient(p.conn).CreateEngine(ctx, &compliancev1.CreateEngineRequest{Engine: &compliancev1.Engine{
			Serial: serial, EngineModel: "engineModels/any", Owner: "demo-operator", Counters: &compliancev1.Counters{},
			CountersDate: &date.Date{Year: 2026, Month: 3, Day: 1},
		}}); err != nil {
			p.t.Fatal(err)
		}
	}
}

// admin signs the first administrator in and makes a machine.
func (p *pair) admin() context.Context {
	p.t.Helper()
	session, err := accessv1.NewSessionServiceClient(p.conn).AcceptInvitation(p.t.Context(),
		&accessv1.AcceptInvitationRequest{Token: p.processes[1].Token(), Password: story.Password})
	if err != nil {
		p.t.Fatal(err)
	}
	admin := metadata.AppendToOutgoingContext(p.t.Context(), "authorization", "Bearer "+session.GetToken())
	if _, err := accessv1.NewAccessServiceClient(p.conn).CreateAccount(admin, &accessv1.CreateAccountRequest{AccountId: "erp", Account: &accessv1.Account{
		Login: "erp", DisplayName: "ERP", Roles: []string{"planner"}, Kind: accessv1.Account_MACHINE,
	}}); err != nil {
		p.t.Fatal(err)
	}
	return admin
}

// Cases E24, C13 and OPS-10 with the program itself: the internal secret, both sides' certificates, the public certificate and an API key are replaced
// while calls go on, and none fails; what was replaced is refused afterwards.
func TestSecretsAreReplacedUnderLoad(t *testing.T) {
	p := newPair(t)
	admin := p.admin()
	first := p.key(admin, "first")
	p.engines(first)
	l := p.load(first)
	l.goOn(t)
	if old, fresh := p.direct("a"), p.direct("b"); old != "" || fresh != "IDENTITY_INVALID" {
		t.Errorf("at first: %q, %q", old, fresh)
	}
	for _, step := range [][]string{{"a", "b"}, {"b", "a"}} {
		p.write(step...)
		p.reload()
		l.goOn(t)
		if old, fresh := p.direct("a"), p.direct("b"); old != "" || fresh != "" {
			t.Errorf("with %v: %q, %q", step, old, fresh)
		}
	}
	p.write("b")
	p.processes[1].Reload() // the gateway speaks with the new one since the step before
	p.processes[0].Reload()
	l.goOn(t)
	if old, fresh := p.direct("a"), p.direct("b"); old != "IDENTITY_INVALID" || fresh != "" {
		t.Errorf("in the end: %q, %q", old, fresh)
	}
	inner, outer := p.authority.Renew(p.services, partNames...), p.authority.Renew(p.public)
	p.authority.Renew(p.door, peers.Name("coldsection", "gateway"))
	p.reload()
	l.goOn(t)
	if shown := p.serial(p.address, p.mine); shown != inner {
		t.Errorf("the services show certificate %d, want %d", shown, inner)
	}
	if shown := p.serial(p.conn.Target(), p.mine); shown != outer {
		t.Errorf("the gateway shows certificate %d, want %d", shown, outer)
	}
	second := p.key(admin, "second")
	l.key.Store(&second)
	l.goOn(t)
	if _, err := accessv1.NewAccessServiceClient(p.conn).RevokeApiKey(admin, &accessv1.RevokeApiKeyRequest{Name: "accounts/erp/apiKeys/first"}); err != nil {
		t.Fatal(err)
	}
	if err := p.round(t.Context(), first); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("the old key: %v", err)
	}
	l.goOn(t)
	l.stop()
	l.running.Wait()
	if failed := l.failed.Load(); failed != nil {
		t.Errorf("a call failed: %v", *failed)
	}
}

// Case OPS-10: nothing older than TLS 1.2 is spoken with.
func TestOldTLSIsRefused(t *testing.T) {
	p := newPair(t)
	for version, want := range map[uint16]bool{tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		dialer := &tls.Dialer{Config: &tls.Config{RootCAs: p.roots(), MinVersion: version, MaxVersion: version, NextProtos: []string{"h2"}}}
		conn, err := dialer.DialContext(t.Context(), "tcp", p.conn.Target())
		if err == nil {
			_ = conn.Close()
		}
		if (err == nil) != want {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
	}
}
