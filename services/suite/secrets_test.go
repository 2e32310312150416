package suite_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/suite"
)

// planted is a secret that must come out nowhere.
const planted = "pl4nted-s3cret-never-to-be-seen"

// notebook keeps a log for a test.
type notebook struct {
	mutex sync.Mutex
	text  bytes.Buffer
}

func (n *notebook) Write(line []byte) (int, error) {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	return n.text.Write(line)
}

func (n *notebook) String() string {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	return n.text.String()
}

// Case OPS-02: the log, the metrics and the bodies of errors of a process that was given secrets in every way.
func TestSecretsComeOutNowhere(t *testing.T) {
	dir, log := t.TempDir(), &notebook{}
	secret := hex.EncodeToString([]byte(planted + "-of-32-bytes"))
	for name, text := range map[string]string{"secret": secret, "client": planted} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := suite.Start(t.Context(), suite.Config{
		StateDir: dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", Admin: "127.0.0.1:0", SecretFile: filepath.Join(dir, "secret"),
		OIDCIssuer: "http://127.0.0.1:1/none", OIDCClientID: "id", OIDCClientSecret: filepath.Join(dir, "client"), PublicURL: "https://gateway.example",
	}, slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	first := s.FirstAdminToken()
	session, err := sessions(t, s).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: first, Password: planted})
	if err != nil {
		t.Fatal(err)
	}
	var seen strings.Builder
	for _, c := range []struct{ method, path, body, token string }{
		{"POST", "/v1/sessions:signIn", `{"login":"admin","password":"` + planted + `x"}`, ""}, {"POST", "/v1/sessions:signIn", `{"login":"` + planted + `","password":"x"}`, ""},
		{"POST", "/v1/sessions:signIn", `{"login":"admin","pasword":"` + planted + `"}`, ""}, {"POST", "/v1/sessions:signIn", `{"login":"admin","password":"` + planted, ""},
		{"POST", "/v1/sessions:reauthenticate", `{"password":"` + planted + `y","code":"` + planted + `"}`, session.GetToken()},
		{"POST", "/v1/sessions:changePassword", `{"oldPassword":"` + planted + `z","newPassword":"` + planted + `-new"}`, session.GetToken()},
		{"POST", "/v1/invitations:accept", `{"token":"` + planted + `","password":"` + planted + `"}`, ""},
		{"GET", "/v1/accounts", "", planted}, {"GET", "/oidc/signIn", "", ""}, {"GET", "/oidc/callback?code=" + planted + "&state=" + planted, "", ""},
		{"GET", "/v1/auditEvents", "", session.GetToken()},
	} {
		seen.WriteString(c.method + " " + body(t, c.method, "http://"+s.HTTPAddress()+c.path, c.body, c.token) + "\n")
	}
	seen.WriteString(body(t, "GET", "http://"+s.AdminAddress()+"/metrics", "", ""))
	text := seen.String() + log.String()
	for _, word := range []string{planted, secret, first, session.GetToken()} {
		if at := strings.Index(text, word); at >= 0 {
			t.Errorf("%.8s… came out: %s", word, text[max(0, at-200):at])
		}
	}
	if !strings.Contains(text, "CREDENTIALS_WRONG") || !strings.Contains(text, "coldsection_outbox_waiting") || !strings.Contains(log.String(), "call refused") {
		t.Errorf("the test did not look where it should: %s", text)
	}
}

// Addresses with passwords are shown without them, also where they can't be read or nobody answers.
func TestPasswordsOfAddressesComeOutNowhere(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []suite.Config{
		{NATS: "nats://user:" + planted + "@127.0.0.1:1"}, {NATS: "nats://user:" + planted + "@127.0.0.1:1,nats://user:" + planted + "@127.0.0.1:2"},
		{NATS: "nats://user:" + planted + "@[bad"}, {Postgres: "postgres://user:" + planted + "@127.0.0.1:1/x"}, {Postgres: "postgres://user:" + planted + "@ho st/x"},
	} {
		c.StateDir, c.HTTP, c.GRPC = dir, "127.0.0.1:0", "127.0.0.1:0"
		log := &notebook{}
		s, err := suite.Start(t.Context(), c, slog.New(slog.NewJSONHandler(log, nil)))
		if err == nil {
			s.Stop()
			t.Fatalf("%s%s: it started", c.NATS, c.Postgres)
		}
		if text := err.Error() + log.String(); strings.Contains(text, planted) {
			t.Errorf("the password came out: %s", text)
		}
		var out bytes.Buffer
		args := []string{"config", "--state", dir, "--nats", c.NATS, "--postgres", c.Postgres}
		if code := suite.Main(args, &out, &out); code != 0 || strings.Contains(out.String(), planted) || !strings.Contains(out.String(), "user:hidden@") {
			t.Errorf("code %d, shown: %s", code, &out)
		}
	}
}

// A secret that everybody on the machine may read is named at the start, with the way to take that away; one that its group may read is not, nor one in
// a folder that nobody else may enter, but one that a link there leads to.
func TestASecretThatEverybodyMayReadIsNamed(t *testing.T) {
	for _, c := range []struct {
		folder, mode os.FileMode
		linked, want bool
	}{
		{0o755, 0o600, false, false}, {0o755, 0o640, false, false}, {0o755, 0o644, false, true}, {0o700, 0o644, false, false}, {0o750, 0o644, false, false}, {0o700, 0o644, true, true},
	} {
		dir, log := t.TempDir(), &notebook{}
		file := filepath.Join(dir, "secret")
		if c.linked {
			elsewhere := filepath.Join(t.TempDir(), "key")
			if err := errors.Join(os.Chmod(filepath.Dir(elsewhere), 0o755), os.Symlink(elsewhere, file)); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(file, []byte(hex.EncodeToString([]byte(planted+"-of-32-bytes"))+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(os.Chmod(file, c.mode), os.Chmod(dir, c.folder)); err != nil {
			t.Fatal(err)
		}
		s, err := suite.Start(t.Context(), suite.Config{StateDir: dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0"}, slog.New(slog.NewJSONHandler(log, nil)))
		if err != nil {
			t.Fatal(err)
		}
		s.Stop()
		if got := strings.Contains(log.String(), "chmod o=") && strings.Contains(log.String(), file); got != c.want {
			t.Errorf("of a secret with %+v it is said %v", c, got)
		}
	}
}

// body makes an HTTP call and returns what it answers, headers but for cookies included.
func body(t *testing.T, method, address, text, token string) string {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.Status + " " + string(answer)
}
