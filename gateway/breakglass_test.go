package gateway_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/storage"
)

// glass is the break-glass account of a gateway whose provider nobody can reach, with an envelope that was sealed.
type glass struct {
	*world

	calls  accessv1.BreakGlassServiceClient
	query  accessv1.BreakGlassQueryServiceClient
	secret string
}

func newGlass(t *testing.T) *glass {
	t.Helper()
	w := newWorld(t, func(c *gateway.Config) {
		c.SecondFactorRoles = []string{"quality"}
		c.Provider = gateway.Provider{Issuer: "http://127.0.0.1:1/down", ClientID: "id", PublicURL: "https://gateway.example"}
	})
	g := &glass{world: w, calls: accessv1.NewBreakGlassServiceClient(w.conn), query: accessv1.NewBreakGlassQueryServiceClient(w.conn)}
	g.secret = g.seal()
	return g
}

func (g *glass) seal() string {
	g.t.Helper()
	sealed, err := g.calls.SealBreakGlass(g.as(g.admin), &accessv1.SealBreakGlassRequest{})
	if err != nil {
		g.t.Fatal(err)
	}
	if len(strings.ReplaceAll(sealed.GetSecret(), "-", "")) != 32 || sealed.GetAccount() != "accounts/break-glass" {
		g.t.Errorf("sealed: %s, %d characters", sealed.GetAccount(), len(sealed.GetSecret()))
	}
	return sealed.GetSecret()
}

const whyOpened = "The provider is down and no administrator is here."

// opened opens the envelope as somebody.
func (g *glass) opened(opener string) string {
	g.t.Helper()
	session, err := g.calls.OpenBreakGlass(g.t.Context(), &accessv1.OpenBreakGlassRequest{Secret: g.secret, Opener: opener, Reason: whyOpened})
	if err != nil {
		g.t.Fatal(err)
	}
	if !slices.Equal(session.GetRoles(), []string{"admin"}) || session.GetMethod() != "break-glass" || session.GetPerson() != "" ||
		!session.GetExpireTime().AsTime().Equal(g.clock.Now().Add(time.Hour)) {
		g.t.Errorf("session %v", session)
	}
	return session.GetToken()
}

func (g *glass) use() *accessv1.BreakGlassUse {
	g.t.Helper()
	uses, err := g.query.ListBreakGlassUses(g.as(g.admin), &accessv1.ListBreakGlassUsesRequest{Filter: `state = "OPENED"`})
	if err != nil || len(uses.GetBreakGlassUses()) != 1 {
		g.t.Fatalf("uses: %v, %v", uses, err)
	}
	return uses.GetBreakGlassUses()[0]
}

func (g *glass) unreviewed() (n int64) {
	g.t.Helper()
	if err := g.gw.DB().View(g.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		n, err = gateway.CountUnreviewedBreakGlass(ctx, tx)
		return err
	}); err != nil {
		g.t.Fatal(err)
	}
	return n
}

// Somebody opens the envelope while the provider is down: the alarm is raised at once, and is there until another person has reviewed it.
func TestBreakingTheGlassAlarmsUntilAnotherPersonReviewsIt(t *testing.T) {
	g := newGlass(t)
	g.hire("tomas", "technician")
	token := g.opened("tomas")
	use := g.use()
	if use.GetOpener() != "accounts/tomas" || use.GetUntrustedReason() != whyOpened || g.unreviewed() != 1 {
		t.Errorf("the use is %v, %d wait for review", use, g.unreviewed())
	}
	facts := strings.Join(g.outbox(), "\n")
	for _, want := range []string{"coldsection.access.break_glass.sealed.v1", "coldsection.access.break_glass.opened.v1", `"account":"accounts/tomas"`} {
		if !strings.Contains(facts, want) {
			t.Errorf("no %s among %s", want, facts)
		}
	}
	if strings.Contains(facts, g.secret) {
		t.Error("a fact tells the secret")
	}
	if _, err := g.calls.SealBreakGlass(g.as(g.admin), &accessv1.SealBreakGlassRequest{}); reasonOf(err) != "BREAK_GLASS_UNREVIEWED" {
		t.Errorf("sealed anew before: %v", err)
	}
	review := func(token, findings string) string {
		_, err := g.calls.ReviewBreakGlassUse(g.as(token), &accessv1.ReviewBreakGlassUseRequest{Name: use.GetName(), Findings: findings})
		return reasonOf(err)
	}
	accounts := accessv1.NewAccessServiceClient(g.conn)
	if _, err := accounts.UpdateAccount(g.as(token), &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: "accounts/tomas", Roles: []string{"admin"}}}); err != nil {
		t.Fatal(err)
	}
	again, err := accessv1.NewSessionServiceClient(g.conn).SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	const found = "Tomas was made an administrator; taken back."
	for who, want := range map[string]string{token: "BREAK_GLASS_LIMITED", again.GetToken(): "SAME_PERSON", g.hire("vera", "viewer"): "ROLE_MISSING"} {
		if got := review(who, found); got != want {
			t.Errorf("a review: %q, want %q", got, want)
		}
	}
	if got := review(g.admin, found); got != "" {
		t.Fatalf("another person: %q", got)
	}
	if got := review(g.admin, found); got != "BREAK_GLASS_REVIEWED" || g.unreviewed() != 0 {
		t.Errorf("a second review: %q, %d wait", got, g.unreviewed())
	}
	if _, err := accessv1.NewSessionServiceClient(g.conn).GetCurrentSession(g.as(token), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("the session after the review: %v", err)
	}
	g.secret = g.seal()
}

// What is typed is compared as it is read from paper, once, and only with why and by whom; guesses are counted.
func TestTheSealedSecretOpensOnceAndOnlyWithAReason(t *testing.T) {
	g := newGlass(t)
	old := g.secret
	g.secret = g.seal()
	g.hire("tomas", "technician")
	open := func(secret, opener, reason string) string {
		_, err := g.calls.OpenBreakGlass(t.Context(), &accessv1.OpenBreakGlassRequest{Secret: secret, Opener: opener, Reason: reason})
		return reasonOf(err)
	}
	for _, c := range []struct{ secret, opener, reason, want string }{
		{old, "tomas", whyOpened, "CREDENTIALS_WRONG"}, {g.secret[:30], "tomas", whyOpened, "CREDENTIALS_WRONG"}, {g.secret, "tomas", "", "FIELD_INVALID"},
		{g.secret, "", whyOpened, "FIELD_INVALID"}, {g.secret, "nobody", whyOpened, "OPENER_UNKNOWN"}, {g.secret, "break-glass", whyOpened, "OPENER_UNKNOWN"},
		{strings.ToLower(strings.ReplaceAll(g.secret, "-", " ")), "tomas", whyOpened, ""}, {g.secret, "tomas", whyOpened, "CREDENTIALS_WRONG"},
	} {
		if got := open(c.secret, c.opener, c.reason); got != c.want {
			t.Errorf("by %q because %q: %q, want %q", c.opener, c.reason, got, c.want)
		}
	}
	seen := map[string]int{}
	for range 12 {
		seen[open("guess", "tomas", whyOpened)]++
	}
	if seen["CREDENTIALS_WRONG"]+seen["ACCOUNT_LOCKED"] != 12 || seen["ACCOUNT_LOCKED"] == 0 {
		t.Errorf("guesses: %v", seen)
	}
}

// The session ends by itself; whatever it does is in the audit, reads too; it signs nothing, and no way leads from it to an account that signs.
func TestABreakGlassSessionIsShortWatchedAndSignsNothing(t *testing.T) {
	g := newGlass(t)
	g.hire("rita", "releaser")
	token := g.opened("rita")
	ctx := g.as(token)
	accounts, sessions, query := accessv1.NewAccessServiceClient(g.conn), accessv1.NewSessionServiceClient(g.conn), accessv1.NewAccessQueryServiceClient(g.conn)
	if _, err := query.GetAccount(ctx, &accessv1.GetAccountRequest{Name: "accounts/rita"}); err != nil {
		t.Fatal(err)
	}
	for name, call := range map[string]func() error{
		"BREAK_GLASS_LIMITED proof": func() error {
			_, err := sessions.Reauthenticate(ctx, &accessv1.ReauthenticateRequest{Password: g.secret})
			return err
		},
		"BREAK_GLASS_LIMITED invitation": func() error {
			_, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: "accounts/rita"})
			return err
		},
		"BREAK_GLASS_LIMITED second factor": func() error {
			_, err := accounts.ResetSecondFactor(ctx, &accessv1.ResetSecondFactorRequest{Name: "accounts/rita"})
			return err
		},
		"BREAK_GLASS_LIMITED new account": func() error {
			_, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{Account: &accessv1.Account{
				Login: "eve", DisplayName: "Eve", Roles: []string{"viewer", "inspector"}, Kind: accessv1.Account_HUMAN,
			}})
			return err
		},
		"BREAK_GLASS_LIMITED role": func() error {
			_, err := accounts.UpdateAccount(ctx, &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: "accounts/admin", Roles: []string{"admin", "releaser"}}})
			return err
		},
		"BREAK_GLASS_LIMITED link": func() error {
			_, err := accounts.UpdateAccount(ctx, &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: "accounts/rita", Issuer: "https://i", Subject: "me"}})
			return err
		},
		"BREAK_GLASS_LIMITED envelope": func() error {
			_, err := g.calls.SealBreakGlass(ctx, &accessv1.SealBreakGlassRequest{})
			return err
		},
		"BREAK_GLASS_ACCOUNT roles": func() error {
			_, err := accounts.UpdateAccount(g.as(g.admin), &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: "accounts/break-glass", Roles: []string{"releaser"}}})
			return err
		},
		"BREAK_GLASS_ACCOUNT password": func() error {
			_, err := accounts.InviteAccount(g.as(g.admin), &accessv1.InviteAccountRequest{Name: "accounts/break-glass"})
			return err
		},
		"LAST_ADMIN the only other": func() error {
			_, err := accounts.DisableAccount(ctx, &accessv1.DisableAccountRequest{Name: "accounts/admin"})
			return err
		},
	} {
		if want, _, _ := strings.Cut(name, " "); reasonOf(call()) != want {
			t.Errorf("%s: got %v", name, call())
		}
	}
	g.clock.Advance(time.Hour + time.Second)
	if _, err := sessions.GetCurrentSession(ctx, &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("after an hour: %v", err)
	}
	events, err := query.ListAuditEvents(g.as(g.admin), &accessv1.ListAuditEventsRequest{Filter: `account = "accounts/break-glass" AND outcome = "OK"`})
	if err != nil || len(events.GetAuditEvents()) != 1 || !strings.HasSuffix(events.GetAuditEvents()[0].GetMethod(), "/GetAccount") {
		t.Errorf("the audit of what succeeded: %v, %v", events, err)
	}
}

// A disabled break-glass account lets nobody in, with the right secret either; sealing it anew does.
func TestADisabledBreakGlassAccountStaysShut(t *testing.T) {
	g := newGlass(t)
	if _, err := accessv1.NewAccessServiceClient(g.conn).DisableAccount(g.as(g.admin), &accessv1.DisableAccountRequest{Name: "accounts/break-glass"}); err != nil {
		t.Fatal(err)
	}
	_, err := g.calls.OpenBreakGlass(t.Context(), &accessv1.OpenBreakGlassRequest{Secret: g.secret, Opener: "admin", Reason: whyOpened})
	if reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("got %v", err)
	}
	g.secret = g.seal()
	g.opened("admin")
}

// Whoever opened the envelope can't end the alarm by an account that the session made or invited, nor by one that such an account made.
func TestNobodyMadeByTheSessionEndsItsAlarm(t *testing.T) {
	g := newGlass(t)
	g.hire("tomas", "technician")
	g.hire("vera", "viewer")
	by := g.opened("tomas")
	use := g.use().GetName()
	accounts := accessv1.NewAccessServiceClient(g.conn)
	invite := func(by, name string) string {
		invitation, err := accounts.InviteAccount(g.as(by), &accessv1.InviteAccountRequest{Name: name})
		if err != nil {
			t.Fatal(err)
		}
		return g.accept(invitation.GetToken())
	}
	made := func(by, login string) string {
		_, err := accounts.CreateAccount(g.as(by), &accessv1.CreateAccountRequest{AccountId: login, Account: &accessv1.Account{
			Login: login, DisplayName: login, Roles: []string{"admin"}, Kind: accessv1.Account_HUMAN,
		}})
		if err != nil {
			t.Fatal(err)
		}
		return invite(by, "accounts/"+login)
	}
	eve := made(by, "eve")
	ways := map[string]string{"a new account": eve, "an account of a new account": made(eve, "mallory"), "an invitation of another": invite(by, "accounts/admin")}
	g.admin = ways["an invitation of another"]
	if _, err := accounts.UpdateAccount(g.as(by), &accessv1.UpdateAccountRequest{Account: &accessv1.Account{Name: "accounts/vera", Roles: []string{"admin"}}}); err != nil {
		t.Fatal(err)
	}
	vera, err := accessv1.NewSessionServiceClient(g.conn).SignIn(t.Context(), &accessv1.SignInRequest{Login: "vera", Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	ways["a role that the session gave"] = vera.GetToken()
	review := func(token string) string {
		_, err := g.calls.ReviewBreakGlassUse(g.as(token), &accessv1.ReviewBreakGlassUseRequest{Name: use, Findings: "All is well, I say."})
		return reasonOf(err)
	}
	for way, token := range ways {
		if got := review(token); got != "REVIEWER_NOT_INDEPENDENT" || g.unreviewed() != 1 {
			t.Errorf("by %s: %q; %d wait", way, got, g.unreviewed())
		}
	}
	g.clock.Advance(7*24*time.Hour + time.Second)
	again, err := accessv1.NewSessionServiceClient(g.conn).SignIn(t.Context(), &accessv1.SignInRequest{Login: "admin", Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	if got := review(again.GetToken()); got != "" || g.unreviewed() != 0 {
		t.Errorf("a week later, so that a house with one administrator is not stuck: %q, %d wait", got, g.unreviewed())
	}
}
