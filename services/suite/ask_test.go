package suite_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/suite"
	"coldsection.example/services/suite/verbs"
)

// hired is the token of an account with a role.
func hired(t *testing.T, s *suite.Suite, role string) string {
	t.Helper()
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	sessions, accounts := accessv1.NewSessionServiceClient(conn), accessv1.NewAccessServiceClient(conn)
	admin, err := sessions.AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.FirstAdminToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+admin.GetToken())
	if _, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{AccountId: role, Account: &accessv1.Account{
		Login: role, DisplayName: role, Kind: accessv1.Account_HUMAN, Roles: []string{role},
	}}); err != nil {
		t.Fatal(err)
	}
	invitation, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: "accounts/" + role})
	if err != nil {
		t.Fatal(err)
	}
	session, err := sessions.AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: invitation.GetToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	return session.GetToken()
}

// A file is checked without a change and then imported; repeating the request imports nothing again, and says the same.
func TestTheCommandLineImports(t *testing.T) {
	s := start(t, suite.Config{StateDir: t.TempDir()})
	t.Setenv("COLDSECTION_REMOTE_KEY", hired(t, s, "analyst"))
	file := filepath.Join(t.TempDir(), "log.csv")
	log := "engine_serial,time_utc,phase,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h,engine_hours\n" +
		"NOBODY-1,2026-09-01T10:00:00Z,CRUISE,10000,5,150,1500,1900,95.1,650,300,1000\n"
	if err := os.WriteFile(file, []byte(log), 0o600); err != nil {
		t.Fatal(err)
	}
	imported := func(want int, more ...string) (map[string]any, string) {
		t.Helper()
		var out, problems bytes.Buffer
		args := append([]string{"import", file, "--source", "flight log", "--server", s.GRPCAddress()}, more...)
		if code := suite.Main(args, &out, &problems); code != want {
			t.Fatalf("%v: code %d, %s", more, code, &problems)
		}
		answer := map[string]any{}
		if want != 1 {
			if err := json.Unmarshal(out.Bytes(), &answer); err != nil {
				t.Fatalf("%v: %v in %s", more, err, &out)
			}
		}
		return answer, out.String() + problems.String()
	}
	const request = "8f7f2f62-6f0e-4f52-8d0c-5a0d7f6f1a11"
	for _, c := range []struct {
		code int // 3 for a check that found something: nobody's engine
		more []string
	}{{3, []string{"--check"}}, {3, []string{"--dry-run"}}, {0, []string{"--request-id", request}}, {0, []string{"--request-id", request}}} {
		more := c.more
		if answer, text := imported(c.code, more...); answer["rowsTotal"] != 1.0 || !strings.Contains(text, "NOBODY-1") {
			t.Errorf("%v: %s", more, text)
		}
	}
	if err := os.WriteFile(file, []byte(log+log), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, text := imported(1, "--request-id", request); !strings.HasPrefix(text, "coldsection: IDEMPOTENCY_KEY_REUSED: ") {
		t.Errorf("another file in the name of the same request: %s", text)
	}
}

// Who follows the feed sees each fact when it comes, in every form.
func TestWhatIsFollowedIsShownAtOnce(t *testing.T) {
	for form, want := range map[string]string{"table": "coldsection.lot.received.v1", "csv": "coldsection.lot.received.v1", "json": `"coldsection.lot.received.v1"`} {
		var out bytes.Buffer
		rows := verbs.NewRows(form, &out, []string{"type", "subject"})
		if err := rows.Write((&accessv1.Event{Type: "coldsection.lot.received.v1", Subject: "lots/a"}).ProtoReflect()); err != nil {
			t.Fatal(err)
		}
		if err := rows.Flush(); err != nil || !strings.Contains(out.String(), want) {
			t.Errorf("%s shows %q before it ends, %v", form, &out, err)
		}
	}
}
