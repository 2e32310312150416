package gateway_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"encoding/json"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// machine makes a machine account with a key of these scopes and returns the key's name and secret.
func (w *world) machine(roles []string, scopes ...string) (name, secret string) {
	w.t.Helper()
	accounts := accessv1.NewAccessServiceClient(w.conn)
	account, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{Account: &accessv1.Account{
		Login: "m" + strings.ReplaceAll(strings.Join(append(roles, scopes...), "."), ":", "-"), DisplayName: "M", Roles: roles, Kind: accessv1.Account_MACHINE,
	}})
	if err != nil {
		w.t.Fatal(err)
	}
	key, err := accounts.CreateApiKey(w.as(w.admin), &accessv1.CreateApiKeyRequest{
		Parent: account.GetName(), ApiKey: &accessv1.ApiKey{DisplayName: "k", Scopes: scopes},
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return key.GetName(), key.GetSecret()
}

// allowed says which of three calls a token may make: reading an item, changing one, reading accounts.
func (w *world) allowed(token string) string {
	w.t.Helper()
	var out []string
	for _, c := range []struct{ what, method, path, body string }{
		{"read", "GET", "/v1/items/a", ""}, {"write", "POST", "/v1/items", `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`},
		{"accounts", "GET", "/v1/accounts", ""},
	} {
		status, problem, _ := w.rest(c.method, c.path, token, c.body)
		switch reason, _ := problem["reason"].(string); {
		case status == http.StatusOK:
			out = append(out, c.what)
		case reason != "SCOPE_MISSING" && reason != "ROLE_MISSING":
			out = append(out, c.what+" "+reason)
		}
	}
	return strings.Join(out, ", ")
}

func TestKeysAreNarrowedByTheirScopes(t *testing.T) {
	w := newWorld(t)
	both := []string{"stores", "quality"}
	for _, c := range []struct {
		scopes []string
		want   string
	}{
		{nil, "read, write, accounts"}, {[]string{"read"}, "read, accounts"}, {[]string{"area:consumables"}, "read, write"},
		{[]string{"read", "area:consumables"}, "read"}, {[]string{"role:quality"}, "accounts"}, {[]string{"role:stores", "role:quality"}, "read, write, accounts"},
		{[]string{"role:stores", "area:access"}, ""},
	} {
		if _, secret := w.machine(both, c.scopes...); w.allowed(secret) != c.want {
			t.Errorf("%v: %q, want %q", c.scopes, w.allowed(secret), c.want)
		}
	}
	accounts := accessv1.NewAccessServiceClient(w.conn)
	name, _ := w.machine([]string{"viewer"})
	parent, _, _ := strings.Cut(name, "/apiKeys/")
	for scope, want := range map[string]string{"role:admin": "ROLE_MISSING", "area:moon": "SCOPE_UNKNOWN", "write": "FIELD_INVALID"} {
		_, err := accounts.CreateApiKey(w.as(w.admin), &accessv1.CreateApiKeyRequest{
			Parent: parent, ApiKey: &accessv1.ApiKey{DisplayName: "k", Scopes: []string{scope}},
		})
		if reasonOf(err) != want {
			t.Errorf("%s: %v", scope, err)
		}
	}
}

// grant asks for a token and returns the status and the answer.
func (w *world) grant(id, secret string, form url.Values) (int, map[string]any, http.Header) {
	w.t.Helper()
	req, err := http.NewRequestWithContext(w.t.Context(), http.MethodPost, w.http.URL+"/oauth2/token", strings.NewReader(form.Encode()))
	if err != nil {
		w.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if id != "" {
		req.SetBasicAuth(url.QueryEscape(id), url.QueryEscape(secret))
	}
	status, text, header := w.send(req)
	answer := map[string]any{}
	if err := json.Unmarshal([]byte(text), &answer); err != nil {
		w.t.Fatalf("%d %q: %v", status, text, err)
	}
	return status, answer, header
}

// A key that only reads may have the feed as a stream too.
func TestAReadersKeyWatchesTheFeed(t *testing.T) {
	w := newWorld(t)
	_, reader := w.machine([]string{"integrator"}, "read")
	w.happen("stockMovements/m", "f1")
	stream, err := accessv1.NewEventsServiceClient(w.conn).WatchEvents(w.as(reader), &accessv1.WatchEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if first, err := stream.Recv(); err != nil || first.GetEvent().GetId() != "f1" {
		t.Errorf("got %v, %v", first, err)
	}
}

// RFC 6749 sections 2.3.1, 4.4 and 5.
func TestClientCredentialsGiveAShortLivedToken(t *testing.T) {
	w := newWorld(t)
	name, secret := w.machine([]string{"stores", "quality"}, "role:stores", "role:quality", "area:consumables")
	form := url.Values{"grant_type": {"client_credentials"}}
	status, answer, header := w.grant(name, secret, form)
	token, _ := answer["access_token"].(string)
	if status != 200 || answer["token_type"] != "Bearer" || answer["expires_in"] != 600.0 || header.Get("Cache-Control") != "no-store" || w.allowed(token) != "read, write" {
		t.Errorf("%d %v %v: %q", status, answer, header, w.allowed(token))
	}
	form.Set("scope", "read role:stores")
	_, answer, _ = w.grant(name, secret, form)
	narrow, _ := answer["access_token"].(string)
	if answer["scope"] != "area:consumables read role:stores" || w.allowed(narrow) != "read" {
		t.Errorf("narrowed: %v, %q", answer, w.allowed(narrow))
	}
	for _, c := range []struct {
		id, secret string
		form       url.Values
		status     int
		code       string
	}{
		{name, "wrong", url.Values{"grant_type": {"client_credentials"}}, 401, "invalid_client"},
		{"accounts/x/apiKeys/y", secret, url.Values{"grant_type": {"client_credentials"}}, 401, "invalid_client"},
		{"", "", url.Values{"grant_type": {"client_credentials"}}, 401, "invalid_client"},
		{name, secret, url.Values{"grant_type": {"client_credentials"}, "client_secret": {secret}}, 401, "invalid_client"},
		{name, secret, url.Values{"grant_type": {"password"}}, 400, "unsupported_grant_type"}, {name, secret, url.Values{}, 400, "invalid_request"},
		{name, secret, url.Values{"grant_type": {"client_credentials"}, "scope": {"area:access"}}, 400, "invalid_scope"},
		{name, secret, url.Values{"grant_type": {"client_credentials"}, "scope": {"role:admin"}}, 400, "invalid_scope"},
		{"", "", url.Values{"grant_type": {"client_credentials"}, "client_id": {name}, "client_secret": {secret}}, 200, ""},
	} {
		status, answer, _ := w.grant(c.id, c.secret, c.form)
		if code, _ := answer["error"].(string); status != c.status || code != c.code {
			t.Errorf("%+v: %d %v", c, status, answer)
		}
	}
	accounts := accessv1.NewAccessServiceClient(w.conn)
	if _, err := accounts.RevokeApiKey(w.as(w.admin), &accessv1.RevokeApiKeyRequest{Name: name}); err != nil {
		t.Fatal(err)
	}
	if got := w.allowed(token); !strings.Contains(got, "read CREDENTIALS_WRONG") {
		t.Errorf("of a revoked key: %q", got)
	}
	other, secret := w.machine([]string{"stores"})
	_, answer, _ = w.grant(other, secret, url.Values{"grant_type": {"client_credentials"}})
	token, _ = answer["access_token"].(string)
	w.clock.Advance(10*time.Minute + time.Second)
	if got := w.allowed(token); !strings.Contains(got, "read CREDENTIALS_WRONG") {
		t.Errorf("ten minutes later: %q", got)
	}
}

// Whoever may begin an operation with a key may ask what became of it: a key of an area alone was refused, as no scope names the area of operations.
func TestAKeyOfAnAreaMayAskForItsOperations(t *testing.T) {
	w := newWorld(t)
	for scope, want := range map[string]string{"area:consumables": "NOT_FOUND", "area:performance": "NOT_FOUND", "read": "NOT_FOUND"} {
		_, key := w.machine([]string{"stores"}, scope)
		if _, problem, _ := w.rest("GET", "/v1/operations/consumables-x", key, ""); problem["reason"] != want {
			t.Errorf("%s: %v", scope, problem)
		}
		if status, page, _ := w.rest("GET", "/v1/operations", key, ""); status != 200 {
			t.Errorf("%s: %d %v", scope, status, page)
		}
	}
}

// The role of agents limits whoever has it: no scope takes it away, neither of a key nor of a token that the agent asks for itself.
func TestNoScopeTakesTheLimitsOfAnAgentAway(t *testing.T) {
	w := newWorld(t)
	name, narrowed := w.machine([]string{"agent", "admin"}, "role:admin")
	wide, secret := w.machine([]string{"agent", "admin"})
	_, answer, _ := w.grant(wide, secret, url.Values{"grant_type": {"client_credentials"}, "scope": {"role:admin"}})
	token, _ := answer["access_token"].(string)
	for what, bearer := range map[string]string{"a key": narrowed, "a token": token} {
		_, err := accessv1.NewAccessServiceClient(w.conn).CreateAccount(w.as(bearer), &accessv1.CreateAccountRequest{Account: &accessv1.Account{
			Login: "by-" + name[len(name)-4:], DisplayName: "x", Kind: accessv1.Account_MACHINE, Roles: []string{"viewer"},
		}})
		if reasonOf(err) != "AGENT_LIMITED" {
			t.Errorf("%s of an agent that names another role only: %v", what, err)
		}
	}
}
