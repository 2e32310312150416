package door

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"coldsection.example/integration/harness"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite"
)

// measured is the part whose calls are measured.
const measured = suite.Consumables

// roles are what the caller has, on either way.
var roles = []string{"stores", "planner", "integrator", "viewer"}

// stage is a running suite that is reached at its door and behind it.
type stage struct {
	*harness.Stage

	direct *grpc.ClientConn // to the measured part itself, as the gateway calls it
	door   *grpc.ClientConn // to the gateway
	token  string           // of a session there
	nats   string
}

// modes are the ways to run the suite.
var modes = []struct {
	name string
	open func(t testing.TB) *stage
}{{"one-process", together}, {"separate-processes", apart}}

// common are the arguments of every process.
func common(t testing.TB, s *stage, direct string) []string {
	t.Helper()
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte(strings.Repeat("5ec7e7", 12)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.nats = harness.StreamServer(t)
	keys, err := auth.LoadKeys(secret, false)
	if err != nil {
		t.Fatal(err)
	}
	if s.direct, err = (rpc.Caller{Keys: keys, Clock: clock.System()}).Dial(direct); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.direct.Close() })
	return []string{"--calls-per-second", "0", "--nats", s.nats, "--replicas", "1", "--secret", secret}
}

func newStage(t testing.TB) *stage {
	t.Helper()
	return &stage{Stage: &harness.Stage{HTTP: harness.Addresses(t, 1), GRPC: harness.Addresses(t, 1)}}
}

// together runs everything in one process, which also serves the measured part on a port of its own.
func together(t testing.TB) *stage {
	t.Helper()
	s, direct := newStage(t), harness.Address(t)
	args := append([]string{"serve", "--state", t.TempDir(), "--http", s.HTTP[0], "--grpc", s.GRPC[0], "--listen", measured + "=" + direct},
		common(t, s, direct)...)
	s.Processes = append(s.Processes, harness.Start(t, args...))
	s.enter(t)
	return s
}

// apart runs each part in a process of its own; they call each other in the clear, so that only the way is compared.
func apart(t testing.TB) *stage {
	t.Helper()
	s, addresses := newStage(t), map[string]string{}
	var args []string
	for _, part := range suite.Parts {
		if part != suite.Gateway {
			addresses[part] = harness.Address(t)
			args = append(args, "--address", part+"="+addresses[part])
		}
	}
	args = append(args, common(t, s, addresses[measured])...)
	for _, part := range suite.Parts {
		mine := []string{"serve", part, "--state", t.TempDir(), "--listen", part + "=" + addresses[part]}
		if part == suite.Gateway {
			mine = []string{"serve", part, "--state", t.TempDir(), "--http", s.HTTP[0], "--grpc", s.GRPC[0]}
		}
		s.Processes = append(s.Processes, harness.Start(t, append(mine, args...)...))
	}
	s.enter(t)
	return s
}

// enter makes an account at the gateway that may do what the direct caller may.
func (s *stage) enter(t testing.TB) {
	t.Helper()
	s.door = s.Conn(t)
	const passphrase = "a passphrase for measuring"
	sessions := accessv1.NewSessionServiceClient(s.door)
	admin, err := sessions.AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.Token(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	ctx, accounts := bearer(t.Context(), admin.GetToken()), accessv1.NewAccessServiceClient(s.door)
	account, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{AccountId: "measured", Account: &accessv1.Account{
		Login: "measured", DisplayName: "Measured", Kind: accessv1.Account_HUMAN, Roles: roles,
	}})
	if err != nil {
		t.Fatal(err)
	}
	invitation, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: account.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	session, err := sessions.AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: invitation.GetToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	s.token = session.GetToken()
}

// client keeps as many connections as there are callers.
var client = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: callers}}
