package suite_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/peers/peerstest"
	"coldsection.example/services/suite"
)

// Case OPS-10.
func TestAddressesOfOtherMachinesNeedTLS(t *testing.T) {
	for want, c := range map[string]suite.Config{
		"http 0.0.0.0:8080 is reached by other machines": {HTTP: "0.0.0.0:8080"}, "http :8080 is reached": {HTTP: ":8080"},
		"grpc 10.0.0.1:8081 is reached": {GRPC: "10.0.0.1:8081"}, "listen compliance=10.0.0.1:9001 is reached": {Listen: []string{"compliance=10.0.0.1:9001"}},
		"admin :9090 is reached":     {Admin: ":9090"},
		"needs tls-cert and tls-key": {TLSCert: "cert.pem"}, "needs peer-ca": {PeerCert: "cert.pem"},
	} {
		c.StateDir = t.TempDir()
		if err := c.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
	for _, c := range []suite.Config{
		{}, {Admin: "127.0.0.1:9090"}, {Admin: ":9090", ListenInsecure: true}, {Admin: ":9090", TLSCert: "c", TLSKey: "k"},
		{HTTP: "localhost:1", GRPC: "[::1]:2", Listen: []string{"compliance=127.0.0.1:9001"}}, {HTTP: "0.0.0.0:8080", ListenInsecure: true},
		{HTTP: "0.0.0.0:8443", TLSCert: "c", TLSKey: "k"}, {Listen: []string{"compliance=10.0.0.1:9001"}, PeerCA: "a", PeerCert: "c", PeerKey: "k"},
	} {
		c.StateDir = t.TempDir()
		if err := c.Validate(); err != nil {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// Metrics and health are served to other machines over TLS only.
func TestTheAdminAddressIsServedOverTLS(t *testing.T) {
	files := peerstest.New(t, clock.System().Now().Add(-time.Hour)).Files()
	s := start(t, suite.Config{StateDir: t.TempDir(), TLSCert: files.Cert, TLSKey: files.Key, Admin: "0.0.0.0:0"})
	_, port, err := net.SplitHostPort(s.AdminAddress())
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots(t, files.CA), MinVersion: tls.VersionTLS12}}}
	for scheme, want := range map[string]int{"https": http.StatusNoContent, "http": http.StatusBadRequest} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, scheme+"://127.0.0.1:"+port+"/livez", http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s: %d, want %d", scheme, resp.StatusCode, want)
		}
	}
}

// roots are the authorities of a file.
func roots(t *testing.T, file string) *x509.CertPool {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	return pool
}

// The command line calls over TLS with the authorities that it is given, and sends its key to nobody else's server.
func TestTheCommandLineCallsOverTLS(t *testing.T) {
	files, strangers := peerstest.New(t, clock.System().Now().Add(-time.Hour)).Files(), peerstest.New(t, clock.System().Now().Add(-time.Hour)).Files()
	s := start(t, suite.Config{StateDir: t.TempDir(), TLSCert: files.Cert, TLSKey: files.Key})
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(credentials.NewClientTLSFromCert(roots(t, files.CA), "")))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	session, err := accessv1.NewSessionServiceClient(conn).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.FirstAdminToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("COLDSECTION_REMOTE_KEY", session.GetToken())
	for _, c := range []struct {
		args  []string
		code  int
		wants string
	}{
		{[]string{"--tls", "--ca", files.CA}, 0, "accounts/"},
		{[]string{"--tls", "--ca", strangers.CA}, 1, "certificate"},
		{[]string{"--tls"}, 1, "certificate"},
		{[]string{"--tls", "--ca", files.Key}, 1, "has no certificate in PEM"},
		{nil, 1, ""},
	} {
		var out, problems bytes.Buffer
		code := suite.Main(append([]string{"list", "accounts", "--server", s.GRPCAddress()}, c.args...), &out, &problems)
		if code != c.code || !strings.Contains(out.String()+problems.String(), c.wants) || strings.Contains(problems.String(), session.GetToken()) {
			t.Errorf("%v: code %d, %q, %q", c.args, code, &out, &problems)
		}
	}
}

// One process serves people, systems and itself with one certificate.
func TestTheGatewayIsServedOverTLS(t *testing.T) {
	authority := peerstest.New(t, clock.System().Now().Add(-time.Hour))
	files := authority.Files()
	s := start(t, suite.Config{StateDir: t.TempDir(), TLSCert: files.Cert, TLSKey: files.Key})
	trusted := roots(t, files.CA)
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(credentials.NewClientTLSFromCert(trusted, "")))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := accessv1.NewSessionServiceClient(conn).DescribeSignIn(t.Context(), &accessv1.DescribeSignInRequest{}); err != nil {
		t.Errorf("gRPC: %v", err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS12}}}
	body := strings.NewReader(`{"token":"` + s.FirstAdminToken() + `","password":"` + passphrase + `"}`)
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "https://"+s.HTTPAddress()+"/v1/invitations:accept", body)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	cookie := resp.Header.Get("Set-Cookie")
	if resp.StatusCode != http.StatusOK || !strings.Contains(cookie, "Secure") || !strings.Contains(cookie, "HttpOnly") {
		t.Errorf("REST: %d, cookie %q", resp.StatusCode, cookie)
	}
	plain, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = plain.Close() }()
	if _, err := accessv1.NewSessionServiceClient(plain).DescribeSignIn(t.Context(), &accessv1.DescribeSignInRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("gRPC in the clear: %v", err)
	}
}
