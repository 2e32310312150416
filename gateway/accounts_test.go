package gateway_test

import (
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
)

// What an account can't be is refused by name, when it is made as well as when it is changed.
func TestWhatAnAccountCantBe(t *testing.T) {
	w := newWorld(t)
	accounts := accessv1.NewAccessServiceClient(w.conn)
	w.hire("tomas", "stores")
	robot, _ := w.machine([]string{"stores"})
	machine, _, _ := strings.Cut(robot, "/apiKeys/")
	create := func(a *accessv1.Account) error {
		_, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{Account: a})
		return err
	}
	update := func(a *accessv1.Account) error {
		_, err := accounts.UpdateAccount(w.as(w.admin), &accessv1.UpdateAccountRequest{Account: a})
		return err
	}
	const human, robotic = accessv1.Account_HUMAN, accessv1.Account_MACHINE
	_, invited := accounts.InviteAccount(w.as(w.admin), &accessv1.InviteAccountRequest{Name: machine})
	_, signed := w.signIn("mstores")
	_, keyed := accounts.CreateApiKey(w.as(w.admin), &accessv1.CreateApiKeyRequest{Parent: "accounts/tomas", ApiKey: &accessv1.ApiKey{DisplayName: "k"}})
	for what, c := range map[string]struct {
		err  error
		want string
	}{
		"a role that there is not":           {create(&accessv1.Account{Login: "eve", DisplayName: "Eve", Kind: human, Roles: []string{"viewer", "root"}}), "ROLE_UNKNOWN"},
		"a role of the inside":               {create(&accessv1.Account{Login: "eve", DisplayName: "Eve", Kind: human, Roles: []string{auth.SignedIn}}), "ROLE_UNKNOWN"},
		"a login that somebody has":          {create(&accessv1.Account{Login: "tomas", DisplayName: "Eve", Kind: human, Roles: []string{"viewer"}}), "ALREADY_EXISTS"},
		"a user without an issuer":           {create(&accessv1.Account{Login: "eve", DisplayName: "Eve", Kind: human, Subject: "u-1"}), "IDENTITY_INCOMPLETE"},
		"an issuer without a user":           {create(&accessv1.Account{Login: "eve", DisplayName: "Eve", Kind: human, Issuer: "https://i"}), "IDENTITY_INCOMPLETE"},
		"a machine that a provider signs in": {create(&accessv1.Account{Login: "eve", DisplayName: "Eve", Kind: robotic, Issuer: "https://i", Subject: "u-1"}), "IDENTITY_INCOMPLETE"},
		"a change to a role that is not":     {update(&accessv1.Account{Name: "accounts/tomas", Roles: []string{"root"}}), "ROLE_UNKNOWN"},
		"a change to half a user":            {update(&accessv1.Account{Name: "accounts/tomas", Subject: "u-1"}), "IDENTITY_INCOMPLETE"},
		"a machine that is invited":          {invited, "ACCOUNT_IS_A_MACHINE"},
		"a person with a key":                {keyed, "ACCOUNT_IS_A_PERSON"},
		"a machine that signs in":            {signed, "CREDENTIALS_WRONG"},
	} {
		if reasonOf(c.err) != c.want {
			t.Errorf("%s: %v, want %s", what, c.err, c.want)
		}
	}
}

// signIn signs somebody in by the password that all have here.
func (w *world) signIn(login string) (string, error) {
	session, err := accessv1.NewSessionServiceClient(w.conn).SignIn(w.t.Context(), &accessv1.SignInRequest{Login: login, Password: passphrase})
	return session.GetToken(), err
}

// An account that is enabled again is what it was before: a person who never chose a password still waits for it, all others are let in.
func TestAnEnabledAccountIsWhatItWas(t *testing.T) {
	w := newWorld(t)
	accounts := accessv1.NewAccessServiceClient(w.conn)
	w.hire("tomas", "stores")
	robot, secret := w.machine([]string{"stores"})
	machine, _, _ := strings.Cut(robot, "/apiKeys/")
	for id, a := range map[string]*accessv1.Account{
		"new":    {Login: "new", DisplayName: "New", Kind: accessv1.Account_HUMAN, Roles: []string{"viewer"}},
		"linked": {Login: "linked", DisplayName: "Linked", Kind: accessv1.Account_HUMAN, Roles: []string{"viewer"}, Issuer: "https://i", Subject: "u-1"},
	} {
		if _, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{AccountId: id, Account: a}); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]accessv1.Account_State{
		"accounts/tomas": accessv1.Account_ACTIVE, machine: accessv1.Account_ACTIVE, "accounts/new": accessv1.Account_INVITED, "accounts/linked": accessv1.Account_ACTIVE,
	} {
		off, err := accounts.DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: name})
		if err != nil || off.GetState() != accessv1.Account_DISABLED {
			t.Errorf("%s: %v, %v", name, off, err)
		}
		if name == machine && w.allowed(secret) == "read, write" {
			t.Error("the key of a disabled machine works")
		}
		on, err := accounts.EnableAccount(w.as(w.admin), &accessv1.EnableAccountRequest{Name: name})
		if err != nil || on.GetState() != want {
			t.Errorf("%s: %v, %v, want %v", name, on, err, want)
		}
	}
	if token, err := w.signIn("tomas"); err != nil || token == "" {
		t.Errorf("a person with a password: %v", err)
	}
	if got := w.allowed(secret); got != "read, write" {
		t.Errorf("the machine's key: %q", got)
	}
	if _, err := w.signIn("new"); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("a person without a password: %v", err)
	}
}

// A code is of one account: neither the app nor the recovery codes of another let anybody in, and are not used up by it.
func TestACodeIsOfOneAccount(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	tomas, otto := w.hire("tomas", "stores"), w.hire("otto", "stores")
	confirm := func(token, code string) string {
		_, err := sessions.ConfirmSecondFactor(w.as(token), &accessv1.ConfirmSecondFactorRequest{Code: code})
		return reasonOf(err)
	}
	if got := confirm(tomas, "123456"); got != "SECOND_FACTOR_NOT_ENROLLED" {
		t.Errorf("confirmed without one: %q", got)
	}
	second, err := w.signIn("tomas")
	if err != nil {
		t.Fatal(err)
	}
	secret, _ := w.enrol(tomas)
	if _, err := sessions.GetCurrentSession(w.as(second), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("another session, of before the second factor: %v", err)
	}
	if got := confirm(tomas, w.code(secret)); got != "SECOND_FACTOR_NOT_ENROLLED" {
		t.Errorf("confirmed twice, which would make new recovery codes without a password: %q", got)
	}
	others, codes := w.enrol(otto)
	signIn := func(login, code string) string {
		_, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: login, Password: passphrase, Code: code})
		return reasonOf(err)
	}
	for _, c := range []struct{ login, code, want string }{
		{"tomas", codes[0], "SECOND_FACTOR_WRONG"}, {"tomas", w.code(others), "SECOND_FACTOR_WRONG"}, {"tomas", w.code(secret), ""},
		{"otto", codes[0], ""}, {"otto", w.code(others), ""},
	} {
		if got := signIn(c.login, c.code); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
	w.clock.Advance(30 * time.Second)
	for _, c := range []struct {
		token, code, want string
		who               auth.Identity
	}{
		{tomas, w.code(secret), "password and second factor", auth.Identity{Account: "accounts/tomas", Person: "people/tomas"}},
		{w.admin, "", "password", auth.Identity{Account: "accounts/admin"}},
	} {
		proof, err := sessions.Reauthenticate(w.as(c.token), &accessv1.ReauthenticateRequest{Password: passphrase, Code: c.code})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := w.keys.VerifyReauth(auth.NewContext(t.Context(), c.who), proof.GetReauthenticationToken(), w.clock.Now()); err != nil || got.Method != c.want {
			t.Errorf("a proof says %q, %v, want %q", got.Method, err, c.want)
		}
	}
}
