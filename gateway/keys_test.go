package gateway_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// Whatever a key and its tokens rest on ends them at once: the key's end, another secret, the account's end, a role that was taken away.
func TestKeysAndTheirTokensEndWithWhatTheyRestOn(t *testing.T) {
	w := newWorld(t)
	accounts := accessv1.NewAccessServiceClient(w.conn)
	for name, c := range map[string]struct {
		end  func(key *accessv1.ApiKey, account string) error
		want string // the reason of the refusal
	}{
		"the account is disabled": {func(_ *accessv1.ApiKey, account string) error {
			_, err := accounts.DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: account})
			return err
		}, "CREDENTIALS_WRONG"},
		"the key is revoked": {func(key *accessv1.ApiKey, _ string) error {
			_, err := accounts.RevokeApiKey(w.as(w.admin), &accessv1.RevokeApiKeyRequest{Name: key.GetName()})
			return err
		}, "CREDENTIALS_WRONG"},
		"the role is taken away": {func(_ *accessv1.ApiKey, account string) error {
			_, err := accounts.UpdateAccount(w.as(w.admin), &accessv1.UpdateAccountRequest{
				Account: &accessv1.Account{Name: account, Roles: []string{"viewer"}}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"roles"}},
			})
			return err
		}, "ROLE_MISSING"},
		"the key came to its end": {func(*accessv1.ApiKey, string) error {
			w.clock.Advance(5*time.Minute + time.Second) // less than a token's life
			return nil
		}, "CREDENTIALS_WRONG"},
	} {
		login := strings.ReplaceAll(name, " ", "-")
		if _, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{AccountId: login, Account: &accessv1.Account{
			Login: login, DisplayName: login, Kind: accessv1.Account_MACHINE, Roles: []string{"stores"},
		}}); err != nil {
			t.Fatal(err)
		}
		key, err := accounts.CreateApiKey(w.as(w.admin), &accessv1.CreateApiKeyRequest{Parent: "accounts/" + login, ApiKey: &accessv1.ApiKey{
			DisplayName: login, ExpireTime: timestamppb.New(w.clock.Now().Add(5 * time.Minute)),
		}})
		if err != nil {
			t.Fatal(err)
		}
		_, answer, _ := w.grant(key.GetName(), key.GetSecret(), url.Values{"grant_type": {"client_credentials"}})
		token, _ := answer["access_token"].(string)
		for _, secret := range []string{key.GetSecret(), token} {
			if status, problem, _ := w.rest("GET", "/v1/items/a", secret, ""); status != http.StatusOK {
				t.Errorf("before %s: %d %v", name, status, problem)
			}
		}
		if err := c.end(key, "accounts/"+login); err != nil {
			t.Fatal(err)
		}
		for what, secret := range map[string]string{"the key": key.GetSecret(), "its token": token} {
			if _, problem, _ := w.rest("GET", "/v1/items/a", secret, ""); problem["reason"] != c.want {
				t.Errorf("%s, after %s: %v", what, name, problem)
			}
		}
		if status, answer, _ := w.grant(key.GetName(), key.GetSecret(), url.Values{"grant_type": {"client_credentials"}}); c.want == "CREDENTIALS_WRONG" && status != http.StatusUnauthorized {
			t.Errorf("a new token after %s: %d %v", name, status, answer)
		}
	}
}

// A secret is taken from where it does not end in logs: not from an address, and not from a cookie or a name of another kind.
func TestASecretInAnAddressOpensNothing(t *testing.T) {
	w := newWorld(t)
	name, secret := w.machine([]string{"stores"})
	for _, path := range []string{"/v1/items/a?access_token=" + secret, "/v1/items/a?key=" + secret, "/v1/items/a?authorization=Bearer%20" + secret} {
		if status, problem, _ := w.rest("GET", path, "", ""); status == http.StatusOK {
			t.Errorf("%s: %v", strings.ReplaceAll(path, secret, "…"), problem)
		}
	}
	for _, query := range []string{"?client_secret=" + secret, "?grant_type=client_credentials&client_id=" + url.QueryEscape(name) + "&client_secret=" + secret, "?%63lient_secret=" + secret} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.http.URL+"/oauth2/token"+query, strings.NewReader("grant_type=client_credentials&client_id="+url.QueryEscape(name)))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if status, text, _ := w.send(req); status == http.StatusOK || strings.Contains(text, secret) {
			t.Errorf("a token for a secret in the address: %d %s", status, strings.ReplaceAll(text, secret, "…"))
		}
	}
}

// Case C16: what a page of another site can have a browser send changes nothing, and the cookies stay with this site and out of the reach of scripts.
func TestPagesOfOtherSitesChangeNothing(t *testing.T) {
	w := newWorld(t)
	_, session, header := w.rest("POST", "/v1/sessions:signIn", "", `{"login":"admin","password":"`+passphrase+`"}`)
	given := header.Get("Set-Cookie")
	for _, part := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(given, part) {
			t.Errorf("the cookie is %q, without %s", given, part)
		}
	}
	cookie, _, _ := strings.Cut(given, ";")
	csrf, _ := session["csrfToken"].(string)
	const item = `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`
	before := w.made.Load()
	for name, headers := range map[string][]string{
		"a form as text":                {"Content-Type", "text/plain", "Origin", "https://elsewhere.example"},
		"a form as text, with a token":  {"Content-Type", "text/plain", "X-CSRF-Token", csrf},
		"a form":                        {"Content-Type", "application/x-www-form-urlencoded", "X-CSRF-Token", csrf},
		"JSON from a sandboxed frame":   {"Origin", "null"},
		"JSON from elsewhere":           {"Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site"},
		"with the cookie for the token": {"X-CSRF-Token", strings.TrimPrefix(cookie, "coldsection_session=")},
		"with another method's name":    {"X-HTTP-Method-Override", "GET"},
	} {
		if status, problem, _ := w.rest("POST", "/v1/items", "", item, append([]string{"Cookie", cookie}, headers...)...); status < 400 {
			t.Errorf("%s: %d %v", name, status, problem)
		}
	}
	for _, path := range []string{"/v1/items?displayName=brush", "/v1/accounts/admin:disable", "/v1/sessions:signOut"} {
		if status, problem, _ := w.rest("GET", path, "", "", "Cookie", cookie); status < 400 {
			t.Errorf("GET %s: %d %v", path, status, problem)
		}
	}
	if w.made.Load() != before {
		t.Error("something was made")
	}
	if status, problem, _ := w.rest("POST", "/v1/items", "", item, "Cookie", cookie, "X-CSRF-Token", csrf); status != http.StatusOK {
		t.Errorf("the console's own: %d %v", status, problem)
	}
}
