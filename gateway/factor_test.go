package gateway_test

import (
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp/totp"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// strict is a gateway where storekeepers and administrators need a second factor.
func strict(t *testing.T) (*world, accessv1.SessionServiceClient) {
	t.Helper()
	w := newWorld(t, func(c *gateway.Config) { c.SecondFactorRoles = []string{"stores", "admin"} })
	return w, accessv1.NewSessionServiceClient(w.conn)
}

// enrol gives the caller a second factor and returns its secret and the recovery codes.
func (w *world) enrol(token string) (secret string, codes []string) {
	w.t.Helper()
	sessions := accessv1.NewSessionServiceClient(w.conn)
	begun, err := sessions.EnrolSecondFactor(w.as(token), &accessv1.EnrolSecondFactorRequest{Password: passphrase})
	if err != nil {
		w.t.Fatal(err)
	}
	if own, err := sessions.DescribeOwnSessions(w.as(token), &accessv1.DescribeOwnSessionsRequest{}); err != nil || own.GetSecondFactor() {
		w.t.Errorf("with one that is not confirmed the own account is %v, %v", own, err)
	}
	if !strings.HasPrefix(begun.GetUri(), "otpauth://totp/coldsection:") || !strings.Contains(begun.GetUri(), begun.GetSecret()) {
		w.t.Errorf("the address for the app is %s", begun.GetUri())
	}
	done, err := sessions.ConfirmSecondFactor(w.as(token), &accessv1.ConfirmSecondFactorRequest{Code: w.code(begun.GetSecret())})
	if err != nil {
		w.t.Fatal(err)
	}
	w.clock.Advance(30 * time.Second) // the code was used
	own, err := sessions.DescribeOwnSessions(w.as(token), &accessv1.DescribeOwnSessionsRequest{})
	if err != nil || !own.GetSecondFactor() {
		w.t.Errorf("with a second factor the own account is %v, %v", own, err)
	}
	return begun.GetSecret(), done.GetRecoveryCodes()
}

// code is what an app shows now; another program computes it.
func (w *world) code(secret string) string {
	w.t.Helper()
	code, err := totp.GenerateCode(secret, w.clock.Now())
	if err != nil {
		w.t.Fatal(err)
	}
	return code
}

func TestRolesThatNeedASecondFactorDoNothingBefore(t *testing.T) {
	w, sessions := strict(t)
	w.enrol(w.admin)
	token := w.hire("tomas", "stores")
	items := consumablesv1.NewConsumablesQueryServiceClient(w.conn)
	read := func() string {
		_, err := items.GetItem(w.as(token), &consumablesv1.GetItemRequest{Name: "items/a"})
		return reasonOf(err)
	}
	session, err := sessions.GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{})
	if err != nil || !session.GetSecondFactorDue() || len(session.GetRoles()) > 0 || read() != "SECOND_FACTOR_DUE" {
		t.Errorf("before: %v, %v, %q", session, err, read())
	}
	w.enrol(token)
	session, err = sessions.GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{})
	if err != nil || session.GetSecondFactorDue() || len(session.GetRoles()) != 1 || read() != "" {
		t.Errorf("after: %v, %v, %q", session, err, read())
	}
	viewer := w.hire("vera", "viewer")
	if session, err := sessions.GetCurrentSession(w.as(viewer), &accessv1.GetCurrentSessionRequest{}); err != nil || session.GetSecondFactorDue() {
		t.Errorf("a role that needs none: %v, %v", session, err)
	}
}

func TestTheSecondFactorIsAskedForAndEachCodeCountsOnce(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	token := w.hire("tomas", "stores")
	secret, codes := w.enrol(token)
	signIn := func(password, code string) string {
		_, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: password, Code: code})
		return reasonOf(err)
	}
	now := w.code(secret)
	for _, c := range []struct{ password, code, want string }{
		{passphrase, "", "SECOND_FACTOR_NEEDED"}, {"wrong", now, "CREDENTIALS_WRONG"}, {passphrase, "000000", "SECOND_FACTOR_WRONG"},
		{passphrase, now[:3] + " " + now[3:], ""}, {passphrase, now, "SECOND_FACTOR_WRONG"},
		{passphrase, strings.ToLower(codes[0]), ""}, {passphrase, codes[0], "SECOND_FACTOR_WRONG"}, {passphrase, codes[9], ""},
	} {
		if got := signIn(c.password, c.code); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
	w.clock.Advance(30 * time.Second)
	prove := func(code string) string {
		_, err := sessions.Reauthenticate(w.as(token), &accessv1.ReauthenticateRequest{Password: passphrase, Code: code})
		return reasonOf(err)
	}
	if without, with, again := prove(""), prove(w.code(secret)), prove(w.code(secret)); without != "SECOND_FACTOR_NEEDED" || with != "" || again != "SECOND_FACTOR_WRONG" {
		t.Errorf("proving for a signature: %q, %q, %q", without, with, again)
	}
	if _, err := sessions.EnrolSecondFactor(w.as(token), &accessv1.EnrolSecondFactorRequest{Password: passphrase}); reasonOf(err) != "SECOND_FACTOR_EXISTS" {
		t.Errorf("another one: %v", err)
	}
}

func TestGuessesAtCodesAreCountedAlthoughThePasswordIsRight(t *testing.T) {
	w := newWorld(t)
	w.enrol(w.hire("tomas", "stores"))
	sessions := accessv1.NewSessionServiceClient(w.conn)
	seen := map[string]int{}
	for range 8 {
		for _, code := range []string{"000000", ""} { // asking without a code between takes no guess back
			_, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: passphrase, Code: code})
			seen[reasonOf(err)]++
		}
	}
	if seen["SECOND_FACTOR_WRONG"] != 3 || seen["SECOND_FACTOR_NEEDED"] != 2 || seen["ACCOUNT_LOCKED"] != 11 {
		t.Errorf("got %v", seen)
	}
}

func TestALostSecondFactorIsResetByAnAdministrator(t *testing.T) {
	w, sessions := strict(t)
	w.enrol(w.admin)
	token := w.hire("tomas", "stores")
	w.enrol(token)
	accounts := accessv1.NewAccessServiceClient(w.conn)
	if _, err := accounts.ResetSecondFactor(w.as(token), &accessv1.ResetSecondFactorRequest{Name: "accounts/tomas"}); reasonOf(err) != "ROLE_MISSING" {
		t.Errorf("by oneself: %v", err)
	}
	account, err := accounts.ResetSecondFactor(w.as(w.admin), &accessv1.ResetSecondFactorRequest{Name: "accounts/tomas"})
	if err != nil || account.GetSecondFactor() {
		t.Fatalf("got %v, %v", account, err)
	}
	if _, err := sessions.GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("the session of before: %v", err)
	}
	session, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: passphrase})
	if err != nil || len(session.GetRoles()) > 0 || !session.GetSecondFactorDue() {
		t.Errorf("signing in again: %v, %v", session, err)
	}
}

// An account that is limited to owners belongs to none of them, and still has a second factor and units of its own.
func TestALimitedAccountHasItsOwnSettings(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	guest := w.employ(&accessv1.Account{Login: "guest", DisplayName: "Guest", Roles: []string{"viewer"}, Kind: accessv1.Account_HUMAN, Owners: []string{"one"}})
	w.enrol(guest)
	if _, err := sessions.ChangeUnitSystem(w.as(guest), &accessv1.ChangeUnitSystemRequest{UnitSystem: accessv1.Session_US}); err != nil {
		t.Error(err)
	}
	session, err := sessions.GetCurrentSession(w.as(guest), &accessv1.GetCurrentSessionRequest{})
	if err != nil || session.GetUnitSystem() != accessv1.Session_US {
		t.Errorf("%v, %v", session, err)
	}
	own, err := sessions.DescribeOwnSessions(w.as(guest), &accessv1.DescribeOwnSessionsRequest{})
	if err != nil || len(own.GetSessions()) != 1 || own.GetSessions()[0].GetAccount() != "accounts/guest" {
		t.Errorf("%v, %v", own, err)
	}
}
