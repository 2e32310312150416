package suite_test

import (
	"crypto/tls"
	"crypto/x509"
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
		"needs tls-cert and tls-key": {TLSCert: "cert.pem"}, "needs peer-ca": {PeerCert: "cert.pem"},
	} {
		c.StateDir = t.TempDir()
		if err := c.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
	for _, c := range []suite.Config{
		{}, {HTTP: "localhost:1", GRPC: "[::1]:2", Listen: []string{"compliance=127.0.0.1:9001"}}, {HTTP: "0.0.0.0:8080", ListenInsecure: true},
		{HTTP: "0.0.0.0:8443", TLSCert: "c", TLSKey: "k"}, {Listen: []string{"compliance=10.0.0.1:9001"}, PeerCA: "a", PeerCert: "c", PeerKey: "k"},
	} {
		c.StateDir = t.TempDir()
		if err := c.Validate(); err != nil {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// One process serves people, systems and itself with one certificate.
func TestTheGatewayIsServedOverTLS(t *testing.T) {
	authority := peerstest.New(t, clock.System().Now().Add(-time.Hour))
	files := authority.Files()
	s := start(t, suite.Config{StateDir: t.TempDir(), TLSCert: files.Cert, TLSKey: files.Key})
	text, err := os.ReadFile(files.CA)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(credentials.NewClientTLSFromCert(roots, "")))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := accessv1.NewSessionServiceClient(conn).DescribeSignIn(t.Context(), &accessv1.DescribeSignInRequest{}); err != nil {
		t.Errorf("gRPC: %v", err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}}}
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
