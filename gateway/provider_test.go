package gateway_test

import (
	"encoding/base64"
	"encoding/json"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/oauth2-proxy/mockoidc"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
)

// guest is a user of the provider whose ID token says what change makes of it.
type guest struct {
	subject, login string
	groups         []string
	change         func(jwt.MapClaims)
}

func (g guest) ID() string { return g.subject }
func (g guest) Userinfo([]string) ([]byte, error) {
	return json.Marshal(map[string]any{"sub": g.subject})
}

// Claims are those of the standard, then what the test does to them.
func (g guest) Claims(_ []string, base *mockoidc.IDTokenClaims) (jwt.Claims, error) {
	c := jwt.MapClaims{
		"iss": base.Issuer, "sub": g.subject, "aud": base.Audience[0], "exp": base.ExpiresAt.Unix(), "iat": base.IssuedAt.Unix(), "nonce": base.Nonce,
		"auth_time": base.IssuedAt.Unix(), "preferred_username": g.login, "name": "Guest " + g.login, "groups": g.groups,
	}
	if g.change != nil {
		g.change(c)
	}
	return c, nil
}

// house is a gateway whose people sign in by a provider that others wrote, at the gateway's time.
type house struct {
	*world

	provider *mockoidc.MockOIDC
	forge    func(token string) string // makes another ID token of the provider's; nil leaves it
	asked    url.Values                // what the browser was sent to the provider with
}

func newHouse(t *testing.T, roles ...string) *house {
	t.Helper()
	return newHouseWith(t, gateway.Limits{}, roles...)
}

func newHouseWith(t *testing.T, limits gateway.Limits, roles ...string) *house {
	t.Helper()
	provider, err := mockoidc.NewServer(nil)
	if err != nil {
		t.Fatal(err)
	}
	h := &house{provider: provider}
	if err := provider.AddMiddleware(h.tamper); err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := provider.Start(listener, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = provider.Shutdown() })
	h.world = newWorld(t, func(c *gateway.Config) {
		c.Limits = limits
		c.Provider = gateway.Provider{
			Issuer: provider.Issuer(), ClientID: provider.ClientID, ClientSecret: provider.ClientSecret, PublicURL: "https://gateway.example",
			Name: "House", Roles: roles, Owners: []string{"airline=owner-a"},
		}
	})
	provider.FastForward(start.Sub(provider.Now()))
	return h
}

// recorder keeps an answer of the provider to change it.
type recorder struct {
	http.ResponseWriter

	body []byte
}

func (r *recorder) Write(b []byte) (int, error) {
	r.body = append(r.body, b...)
	return len(b), nil
}

// unsigned is the same token, but "alg": "none".
func unsigned(token string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none","typ":"JWT"}`)) + "." + strings.Split(token, ".")[1] + "."
}

// tamper makes other tokens of the provider's when the test says so.
func (h *house) tamper(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if h.forge == nil || r.URL.Path != mockoidc.TokenEndpoint {
			next.ServeHTTP(w, r)
			return
		}
		kept := &recorder{ResponseWriter: w}
		next.ServeHTTP(kept, r)
		answer := map[string]any{}
		if json.Unmarshal(kept.body, &answer) == nil && answer["id_token"] != nil {
			token, _ := answer["id_token"].(string)
			answer["id_token"] = h.forge(token)
			kept.body, _ = json.Marshal(answer)
		}
		_, _ = w.Write(kept.body)
	})
}

// visit makes a GET as a browser with cookies that follows no redirect.
func (h *house) visit(path string, cookies ...*http.Cookie) *http.Response {
	h.t.Helper()
	address := path
	if strings.HasPrefix(path, "/") {
		address = h.http.URL + path
	}
	req, err := http.NewRequestWithContext(h.t.Context(), http.MethodGet, address, http.NoBody)
	if err != nil {
		h.t.Fatal(err)
	}
	for _, c := range cookies {
		req.AddCookie(c)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { _ = resp.Body.Close() })
	return resp
}

func cookieOf(resp *http.Response, name string) *http.Cookie {
	for _, c := range resp.Cookies() {
		if c.Name == name && c.Value != "" {
			return c
		}
	}
	return nil
}

// goThere begins an attempt as a browser and returns the way back with the attempt's cookie.
func (h *house) goThere(begin string, who guest, cookies ...*http.Cookie) (back string, attempt *http.Cookie) {
	h.t.Helper()
	h.provider.QueueUser(who)
	first := h.visit(begin, cookies...) //nolint:bodyclose // visit closes it at the end of the test
	address, err := first.Location()
	if err != nil {
		h.t.Fatalf("%s: %d, %v", begin, first.StatusCode, err)
	}
	h.asked = address.Query()
	second := h.visit(address.String()) //nolint:bodyclose // visit closes it at the end of the test
	location, err := second.Location()
	if err != nil {
		h.t.Fatalf("the provider: %d, %v", second.StatusCode, err)
	}
	return location.RequestURI(), cookieOf(first, "coldsection_attempt")
}

// arrive signs a user in and returns the token of the session, or the reason of the refusal.
func (h *house) arrive(who guest) (token, reason string) {
	h.t.Helper()
	back, attempt := h.goThere("/oidc/signIn", who)
	return h.comeBack(back, attempt)
}

func (h *house) comeBack(back string, cookies ...*http.Cookie) (token, reason string) {
	h.t.Helper()
	resp := h.visit(back, cookies...) //nolint:bodyclose // visit closes it at the end of the test
	if resp.StatusCode == http.StatusSeeOther {
		if c := cookieOf(resp, "coldsection_session"); c != nil {
			return c.Value, ""
		}
		return "", ""
	}
	var problem struct {
		Reason string `json:"reason"`
	}
	if err := json.NewDecoder(resp.Body).Decode(&problem); err != nil {
		h.t.Fatalf("%d: %v", resp.StatusCode, err)
	}
	return "", problem.Reason
}

func (h *house) current(token string) *accessv1.Session {
	h.t.Helper()
	session, err := accessv1.NewSessionServiceClient(h.conn).GetCurrentSession(h.as(token), &accessv1.GetCurrentSessionRequest{})
	if err != nil {
		h.t.Fatal(err)
	}
	return session
}

func TestUsersOfTheProviderSignIn(t *testing.T) {
	h := newHouse(t, "mechanics=technician", "shelf=stores")
	ways, err := accessv1.NewSessionServiceClient(h.conn).DescribeSignIn(t.Context(), &accessv1.DescribeSignInRequest{})
	if err != nil || ways.GetProviderName() != "House" || ways.GetSignInPath() != "/oidc/signIn" {
		t.Errorf("got %v, %v", ways, err)
	}
	who := guest{subject: "u-1", login: "Tomas", groups: []string{"mechanics", "shelf", "football"}}
	token, reason := h.arrive(who)
	if reason != "" {
		t.Fatal(reason)
	}
	session := h.current(token)
	if !slices.Equal(session.GetRoles(), []string{"stores", "technician"}) || session.GetMethod() != "provider" || session.GetCsrfToken() == "" {
		t.Errorf("got %v", session)
	}
	if h.asked.Get("code_challenge_method") != "S256" || h.asked.Get("code_challenge") == "" || h.asked.Get("nonce") == "" ||
		h.asked.Get("redirect_uri") != "https://gateway.example/oidc/callback" {
		t.Errorf("the provider was asked with %v", h.asked)
	}
	who.groups, who.login = []string{"shelf", "airline"}, "renamed"
	again, reason := h.arrive(who)
	if reason != "" {
		t.Fatal(reason)
	}
	later := h.current(again)
	if later.GetAccount() != session.GetAccount() || !slices.Equal(later.GetRoles(), []string{"stores"}) || !slices.Equal(later.GetOwners(), []string{"owner-a"}) {
		t.Errorf("with other groups: %v", later)
	}
	if roles := h.current(token).GetRoles(); !slices.Equal(roles, []string{"stores"}) {
		t.Errorf("the session of before kept %v", roles)
	}
}

// OpenID Connect Core 1.0 section 3.1.3.7; cases OPS-09, C1 and C3.
func TestTokensThatProveNothingAreRefused(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	set := func(claim string, value any) func(jwt.MapClaims) {
		return func(c jwt.MapClaims) {
			if c[claim] = value; value == nil {
				delete(c, claim)
			}
		}
	}
	for name, change := range map[string]func(jwt.MapClaims){
		"wrong audience": set("aud", "another"), "no audience": set("aud", nil), "expired": set("exp", start.Add(-61*time.Second).Unix()), "no expiry": set("exp", nil),
		"an end that is a word": set("exp", "tomorrow"), "a minute early": set("nbf", start.Add(61*time.Second).Unix()), "made in a minute": set("iat", start.Add(61*time.Second).Unix()),
		"another nonce": set("nonce", "x"), "no nonce": set("nonce", nil), "another issuer": set("iss", "https://elsewhere.example"),
		"no subject": set("sub", ""), "not yet": set("nbf", start.Add(time.Hour).Unix()), "another party": set("azp", "another"),
		"two audiences": func(c jwt.MapClaims) { c["aud"] = []any{c["aud"], "another"} },
	} {
		if _, reason := h.arrive(guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}, change: change}); reason != "PROVIDER_TOKEN_INVALID" {
			t.Errorf("%s: %q", name, reason)
		}
	}
	h.forge = unsigned
	if _, reason := h.arrive(guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}); reason != "PROVIDER_TOKEN_INVALID" {
		t.Errorf("unsigned: %q", reason)
	}
	h.forge = nil
	for name, change := range map[string]func(jwt.MapClaims){
		"the same as it should be": nil, "expired for 59 s": set("exp", start.Add(-59*time.Second).Unix()), "59 s early": set("nbf", start.Add(59*time.Second).Unix()),
		"made in 59 s": set("iat", start.Add(59*time.Second).Unix()),
	} {
		if _, reason := h.arrive(guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}, change: change}); reason != "" {
			t.Errorf("%s: %q", name, reason)
		}
	}
}

// Case C3: tokens that are good elsewhere open nothing here: the provider's ID token and its access token are no bearer tokens, on either protocol, and
// neither are the suite's own assertions, which go between its processes.
func TestTokensOfElsewhereAreNoBearerTokens(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	var tokens []string
	h.forge = func(token string) string {
		tokens = append(tokens, token)
		return token
	}
	session, reason := h.arrive(guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}})
	if reason != "" || len(tokens) != 1 {
		t.Fatalf("%q, %d tokens", reason, len(tokens))
	}
	who := auth.Identity{Account: "accounts/admin", Person: "people/admin", Roles: []string{"admin"}, Kind: auth.Human, SessionID: "s1"}
	identity, err := h.keys.MintIdentity(who, start)
	if err != nil {
		t.Fatal(err)
	}
	proof, err := h.keys.MintProof(auth.Reauth{Account: who.Account, Person: who.Person, ID: "p1", At: start, Method: "password"})
	if err != nil {
		t.Fatal(err)
	}
	access := resigned(t, jwt.SigningMethodRS256, h.provider.Keypair.PrivateKey, map[string]any{"kid": h.provider.Keypair.Kid, "typ": "at+jwt"})(tokens[0])
	sessions := accessv1.NewSessionServiceClient(h.conn)
	for name, token := range map[string]string{"ID token": tokens[0], "access token": access, "identity": identity, "proof": proof} {
		if status, answer, _ := h.rest("GET", "/v1/sessions/current", token, ""); status != http.StatusUnauthorized || answer["reason"] != "CREDENTIALS_WRONG" {
			t.Errorf("%s over HTTP: %d %v", name, status, answer)
		}
		if status, answer, _ := h.rest("GET", "/v1/sessions/current", "", "", "Cookie", "coldsection_session="+token); status != http.StatusUnauthorized {
			t.Errorf("%s as a cookie: %d %v", name, status, answer)
		}
		if _, err := sessions.GetCurrentSession(h.as(token), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
			t.Errorf("%s over gRPC: %v", name, err)
		}
	}
	if h.current(session).GetAccount() == "" {
		t.Error("the session itself is not known")
	}
}

func TestAnAttemptBelongsToTheBrowserThatBeganIt(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	back, mine := h.goThere("/oidc/signIn", who)
	_, others := h.goThere("/oidc/signIn", who)
	if mine == nil || !mine.HttpOnly || !mine.Secure || mine.SameSite != http.SameSiteLaxMode {
		t.Fatalf("the attempt's cookie is %v", mine)
	}
	changed := *mine
	changed.Value = "A" + changed.Value[1:]
	for name, cookies := range map[string][]*http.Cookie{"none": nil, "another browser's": {others}, "changed": {&changed}} {
		if _, reason := h.comeBack(back, cookies...); reason != "SIGN_IN_ATTEMPT_INVALID" {
			t.Errorf("cookie %s: %q", name, reason)
		}
	}
	for query, want := range map[string]string{"&error=access_denied": "PROVIDER_REFUSED", "&iss=https://elsewhere.example": "PROVIDER_REFUSED"} {
		if _, reason := h.comeBack(back+query, mine); reason != want {
			t.Errorf("%s: %q", query, reason)
		}
	}
	if _, reason := h.comeBack(back, mine); reason != "" {
		t.Errorf("the right browser: %q", reason)
	}
	if _, reason := h.comeBack(back, mine); reason != "PROVIDER_REFUSED" {
		t.Errorf("the same code again: %q", reason)
	}
	late, attempt := h.goThere("/oidc/signIn", who)
	h.clock.Advance(11 * time.Minute)
	if _, reason := h.comeBack(late, attempt); reason != "SIGN_IN_ATTEMPT_INVALID" {
		t.Errorf("eleven minutes later: %q", reason)
	}
}

func TestTheProvidersNamesMakeNobodySomebodyElse(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	token, reason := h.arrive(guest{subject: "u-1", login: "admin", groups: []string{"mechanics"}})
	if reason != "" {
		t.Fatal(reason)
	}
	if session := h.current(token); session.GetAccount() == "accounts/admin" || slices.Contains(session.GetRoles(), "admin") {
		t.Errorf("a user who calls herself admin is %v", session)
	}
	if _, reason := h.arrive(guest{subject: "u-2", login: "x", groups: []string{"admin", "football"}}); reason != "PROVIDER_ROLE_MISSING" {
		t.Errorf("a user whose groups give nothing: %q", reason)
	}
}

func TestWhoLosesTheLastGroupOrIsDisabledStaysOut(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	token, _ := h.arrive(who)
	account := h.current(token).GetAccount()
	out := who
	out.groups = nil
	if _, reason := h.arrive(out); reason != "PROVIDER_ROLE_MISSING" {
		t.Errorf("without a group: %q", reason)
	}
	sessions := accessv1.NewSessionServiceClient(h.conn)
	if _, err := sessions.GetCurrentSession(h.as(token), &accessv1.GetCurrentSessionRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("the session of before: %v", err)
	}
	if _, err := accessv1.NewAccessServiceClient(h.conn).DisableAccount(h.as(h.admin), &accessv1.DisableAccountRequest{Name: account}); err != nil {
		t.Fatal(err)
	}
	if _, reason := h.arrive(who); reason != "ACCOUNT_DISABLED" {
		t.Errorf("disabled: %q", reason)
	}
}

func TestWithoutRolesOfGroupsAnAdministratorLinksAccounts(t *testing.T) {
	h := newHouse(t)
	accounts := accessv1.NewAccessServiceClient(h.conn)
	who := guest{subject: "u-7", login: "ines", groups: []string{"airline"}}
	if _, reason := h.arrive(who); reason != "PROVIDER_USER_UNKNOWN" {
		t.Errorf("a user whom nobody knows: %q", reason)
	}
	link := &accessv1.Account{
		Login: "ines", DisplayName: "Ines", Person: "people/ines", Roles: []string{"inspector"}, Kind: accessv1.Account_HUMAN, Issuer: h.provider.Issuer(),
	}
	if _, err := accounts.CreateAccount(h.as(h.admin), &accessv1.CreateAccountRequest{Account: link}); reasonOf(err) != "IDENTITY_INCOMPLETE" {
		t.Errorf("half a link: %v", err)
	}
	link.Subject = who.subject
	if _, err := accounts.CreateAccount(h.as(h.admin), &accessv1.CreateAccountRequest{AccountId: "ines", Account: link}); err != nil {
		t.Fatal(err)
	}
	link.Login = "ines2"
	if _, err := accounts.CreateAccount(h.as(h.admin), &accessv1.CreateAccountRequest{Account: link}); reasonOf(err) != "ALREADY_EXISTS" {
		t.Errorf("a second account of the same user: %v", err)
	}
	token, reason := h.arrive(who)
	if reason != "" || h.current(token).GetAccount() != "accounts/ines" || !slices.Equal(h.current(token).GetRoles(), []string{"inspector"}) {
		t.Errorf("linked: %q, %v", reason, h.current(token))
	}
}

func TestASignatureNeedsThePasswordAtTheProviderAgain(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	token, _ := h.arrive(who)
	session := &http.Cookie{Name: "coldsection_session", Value: token}
	sessions := accessv1.NewSessionServiceClient(h.conn)
	prove := func() string {
		_, err := sessions.Reauthenticate(h.as(token), &accessv1.ReauthenticateRequest{})
		return reasonOf(err)
	}
	if reason := prove(); reason != "PROVIDER_SIGN_IN_NEEDED" {
		t.Errorf("with nothing but the session: %q", reason)
	}
	stale := who
	stale.change = func(c jwt.MapClaims) { c["auth_time"] = start.Add(-time.Hour).Unix() }
	silent := who
	silent.change = func(c jwt.MapClaims) { delete(c, "auth_time") }
	for name, c := range map[string]struct {
		who  guest
		want string
	}{
		"an old sign-in": {stale, "REAUTHENTICATION_NEEDED"}, "no time": {silent, "REAUTHENTICATION_NEEDED"},
		"somebody else": {guest{subject: "u-2", login: "x", groups: who.groups}, "PROVIDER_SIGN_IN_NEEDED"},
	} {
		back, attempt := h.goThere("/oidc/reauthenticate", c.who, session)
		if _, reason := h.comeBack(back, attempt); reason != c.want || prove() != "PROVIDER_SIGN_IN_NEEDED" {
			t.Errorf("%s: %q", name, reason)
		}
	}
	fresh := func() {
		back, attempt := h.goThere("/oidc/reauthenticate", who, session)
		if _, reason := h.comeBack(back, attempt); reason != "" || h.asked.Get("prompt") != "login" || h.asked.Get("max_age") != "0" {
			t.Errorf("fresh: %q, asked with %v", reason, h.asked)
		}
	}
	fresh()
	if first, second := prove(), prove(); first != "" || second != "PROVIDER_SIGN_IN_NEEDED" {
		t.Errorf("once %q, twice %q", first, second)
	}
	fresh()
	h.clock.Advance(2*time.Minute + time.Second)
	if reason := prove(); reason != "PROVIDER_SIGN_IN_NEEDED" {
		t.Errorf("too late: %q", reason)
	}
}

// Case C20: nobody has the gateway call the provider without end. The way back that was refused is open a second later.
func TestTheProvidersWayHasALimitForEachAddress(t *testing.T) {
	h := newHouseWith(t, gateway.Limits{StrangersPerSecond: 1}, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	back, attempt := h.goThere("/oidc/signIn", who) // the first administrator's invitation was the first of five calls
	for range 3 {
		h.goThere("/oidc/signIn", who)
	}
	refused := h.visit("/oidc/signIn") //nolint:bodyclose // visit closes it at the end of the test
	if refused.StatusCode != http.StatusTooManyRequests || refused.Header.Get("Retry-After") != "1" {
		t.Errorf("a sixth call: %d, Retry-After %q", refused.StatusCode, refused.Header.Get("Retry-After"))
	}
	if _, reason := h.comeBack(back, attempt); reason != "TOO_MANY_CALLS" {
		t.Errorf("the way back: %q", reason)
	}
	h.clock.Advance(time.Second)
	if _, reason := h.comeBack(back, attempt); reason != "" {
		t.Errorf("the way back a second later: %q", reason)
	}
}

// Who typed the password at the provider for a signature has the roles of the groups of that moment (case C7): a role that was lost there
// since the sign-in signs nothing, and without any the sessions end.
func TestAProofAtTheProviderTakesAwayWhatTheGroupsNoLongerGive(t *testing.T) {
	h := newHouse(t, "mechanics=technician", "inspectors=inspector")
	who := guest{subject: "u-1", login: "ines", groups: []string{"mechanics", "inspectors"}}
	token, _ := h.arrive(who)
	account, sessions := h.current(token).GetAccount(), accessv1.NewSessionServiceClient(h.conn)
	etag := func() string {
		a, err := accessv1.NewAccessQueryServiceClient(h.conn).GetAccount(h.as(h.admin), &accessv1.GetAccountRequest{Name: account})
		if err != nil {
			t.Fatal(err)
		}
		return a.GetEtag()
	}
	prove := func(groups ...string) string {
		who.groups = groups
		back, attempt := h.goThere("/oidc/reauthenticate", who, &http.Cookie{Name: "coldsection_session", Value: token})
		_, reason := h.comeBack(back, attempt)
		return reason
	}
	before := etag()
	if reason := prove("inspectors", "mechanics"); reason != "" || etag() != before {
		t.Errorf("the same groups: %q, and the account changed from %s to %s", reason, before, etag())
	}
	if reason := prove("mechanics", "airline"); reason != "" {
		t.Errorf("inspector no longer: %q", reason)
	}
	if now := h.current(token); !slices.Equal(now.GetRoles(), []string{"technician"}) || !slices.Equal(now.GetOwners(), []string{"owner-a"}) {
		t.Errorf("after the proof the session has %v, limited to %v", now.GetRoles(), now.GetOwners())
	}
	if _, err := sessions.Reauthenticate(h.as(token), &accessv1.ReauthenticateRequest{}); err != nil {
		t.Errorf("the proof: %v", err)
	}
	if reason := prove("football"); reason != "PROVIDER_ROLE_MISSING" {
		t.Errorf("no group that gives anything: %q", reason)
	}
	if _, err := sessions.Reauthenticate(h.as(token), &accessv1.ReauthenticateRequest{}); reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("a proof after it: %v", err)
	}
}

// The groups of a provider take the role from an administrator as from anybody, but not from the last one.
func TestTheProvidersGroupsLeaveAnAdministrator(t *testing.T) {
	h := newHouse(t, "it=admin", "mechanics=technician")
	who := guest{subject: "u-1", login: "ines", groups: []string{"it"}}
	token, _ := h.arrive(who)
	accounts, account := accessv1.NewAccessServiceClient(h.conn), h.current(token).GetAccount()
	if _, err := accounts.DisableAccount(h.as(token), &accessv1.DisableAccountRequest{Name: "accounts/admin"}); err != nil {
		t.Fatal(err)
	}
	who.groups = []string{"mechanics"}
	token, reason := h.arrive(who)
	if roles := h.current(token).GetRoles(); reason != "" || !slices.Equal(roles, []string{"technician", "admin"}) {
		t.Errorf("the last administrator: %q, %v", reason, roles)
	}
	if _, err := accounts.EnableAccount(h.as(token), &accessv1.EnableAccountRequest{Name: "accounts/admin"}); err != nil {
		t.Fatal(err)
	}
	token, reason = h.arrive(who)
	if roles := h.current(token).GetRoles(); reason != "" || !slices.Equal(roles, []string{"technician"}) {
		t.Errorf("one of two administrators, %s: %q, %v", account, reason, roles)
	}
}

// A browser that comes back from the provider in vain is led to the console, which says why; a program gets the problem.
func TestAPersonReadsWhyTheProvidersWayEnded(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	back, attempt := h.goThere("/oidc/signIn", guest{subject: "u-2", login: "x", groups: []string{"football"}})
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.http.URL+back, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	req.AddCookie(attempt)
	req.Header.Set("Accept", "text/html,application/xhtml+xml")
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	_ = resp.Body.Close()
	if to := resp.Header.Get("Location"); resp.StatusCode != http.StatusSeeOther || to != "/#/refused/PROVIDER_ROLE_MISSING" || cookieOf(resp, "coldsection_session") != nil {
		t.Errorf("got %d to %q", resp.StatusCode, to)
	}
}
