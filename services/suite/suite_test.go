package suite_test

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/suite"
)

func start(t *testing.T, cfg suite.Config) *suite.Suite {
	t.Helper()
	cfg.HTTP, cfg.GRPC = "127.0.0.1:0", "127.0.0.1:0"
	s, err := suite.Start(t.Context(), cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	return s
}

func get(t *testing.T, url string) int {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	_ = resp.Body.Close()
	return resp.StatusCode
}

func sessions(t *testing.T, s *suite.Suite) accessv1.SessionServiceClient {
	t.Helper()
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return accessv1.NewSessionServiceClient(conn)
}

const passphrase = "a long enough passphrase"

func TestOneProcessStartsServesAndStartsAgain(t *testing.T) {
	dir := t.TempDir()
	s := start(t, suite.Config{StateDir: dir})
	for path, want := range map[string]int{"/livez": 204, "/readyz": 204, "/v1/engines": 401, "/v1/nothing": 404, "//v1/engines": 404, "/livez/": 404} {
		if got := get(t, "http://"+s.HTTPAddress()+path); got != want {
			t.Errorf("%s: %d, want %d", path, got, want)
		}
	}
	token := s.FirstAdminToken()
	if _, err := sessions(t, s).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: token, Password: passphrase}); err != nil {
		t.Fatal(err)
	}
	s.Stop()
	s.Stop()
	if conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", s.HTTPAddress()); err == nil {
		_ = conn.Close()
		t.Error("it still serves after Stop")
	}
	again := start(t, suite.Config{StateDir: dir})
	if again.FirstAdminToken() != "" {
		t.Error("an administrator is there, and a new one may come in")
	}
	if _, err := sessions(t, again).SignIn(t.Context(), &accessv1.SignInRequest{Login: "admin", Password: passphrase}); err != nil {
		t.Errorf("the account is gone after a restart: %v", err)
	}
}

func TestASecondProcessOnTheSameStateIsRefused(t *testing.T) {
	dir := t.TempDir()
	start(t, suite.Config{StateDir: dir})
	s, err := suite.Start(t.Context(), suite.Config{StateDir: dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0"}, slog.New(slog.DiscardHandler))
	if err == nil {
		s.Stop()
		t.Fatal("two processes share one state folder")
	}
}

func TestWaitEndsWithItsContext(t *testing.T) {
	s := start(t, suite.Config{StateDir: t.TempDir()})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Wait(ctx); err != nil {
		t.Errorf("got %v", err)
	}
}

func TestWrongConfigurationsNameTheSetting(t *testing.T) {
	dir := t.TempDir()
	for want, cfg := range map[string]suite.Config{
		`no part "stores"`:       {StateDir: dir, Parts: []string{"stores"}},
		"--state":                {},
		"--nats":                 {StateDir: dir, Parts: []string{"gateway"}, Addresses: addresses(suite.Parts...)},
		"--address":              {StateDir: dir, Parts: []string{"gateway"}, NATS: "nats://127.0.0.1:1", Addresses: addresses("compliance")},
		"no address":             {StateDir: dir, Addresses: []string{"127.0.0.1:1"}},
		"clock file":             {StateDir: dir, ClockFile: filepath.Join(dir, "secret")},
		"secret":                 {StateDir: dir, SecretFile: filepath.Join(dir, "missing")},
		`"inspektor" is no role`: {StateDir: dir, SecondFactorRoles: []string{"admin", "inspektor"}},
		"event stream":           {StateDir: dir, NATS: "nats://127.0.0.1:1"},
	} {
		cfg.HTTP, cfg.GRPC = "127.0.0.1:0", "127.0.0.1:0"
		s, err := suite.Start(t.Context(), cfg, slog.New(slog.DiscardHandler))
		if err == nil {
			s.Stop()
		}
		if err == nil && want != "clock file" || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: got %v, want words %q", cfg, err, want)
		}
	}
}

func addresses(parts ...string) (list []string) {
	for _, p := range parts {
		list = append(list, p+"=127.0.0.1:1")
	}
	return list
}

func TestCommandLine(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		out  string
	}{
		{[]string{"version"}, 0, "coldsection"}, {[]string{"fly"}, 2, "unexpected argument"}, {[]string{"serve", "--colour"}, 2, "unknown flag"},
		{[]string{"serve", "stores", "--state", t.TempDir()}, 1, "there is no part"},
	} {
		var out bytes.Buffer
		if code := suite.Main(c.args, &out, &out); code != c.code || !strings.Contains(out.String(), c.out) {
			t.Errorf("%v: code %d, %q", c.args, code, out.String())
		}
	}
}
