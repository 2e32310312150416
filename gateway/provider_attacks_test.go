package gateway_test

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"maps"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/golang-jwt/jwt/v5"
	"github.com/oauth2-proxy/mockoidc"
)

// resigned is a forger: the claims of the provider's token under another header, signed by other means.
func resigned(t *testing.T, method jwt.SigningMethod, key any, header map[string]any) func(string) string {
	t.Helper()
	return func(token string) string {
		claims := jwt.MapClaims{}
		text, err := base64.RawURLEncoding.DecodeString(strings.Split(token, ".")[1])
		if err == nil {
			err = json.Unmarshal(text, &claims)
		}
		forged := jwt.NewWithClaims(method, claims)
		maps.Copy(forged.Header, header)
		signed, signErr := forged.SignedString(key)
		if err != nil || signErr != nil {
			t.Error(err, signErr)
		}
		return signed
	}
}

// Cases C1, C2 and C3: a token that somebody else signed is worth nothing, by whatever its header says of keys, and nothing that a header names is
// fetched.
func TestForgedTokensAreRefused(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	var fetched atomic.Int64
	bait := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { fetched.Add(1) }))
	t.Cleanup(bait.Close)
	der, err := x509.MarshalPKIXPublicKey(h.provider.Keypair.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	public := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	own, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	kid := h.provider.Keypair.Kid
	for name, forge := range map[string]func(string) string{
		"HMAC with the public key":      resigned(t, jwt.SigningMethodHS256, public, map[string]any{"kid": kid}),
		"HMAC with the DER public key":  resigned(t, jwt.SigningMethodHS256, der, map[string]any{"kid": kid}),
		"HMAC with the client's secret": resigned(t, jwt.SigningMethodHS256, []byte(h.provider.ClientSecret), nil),
		"a key of the forger's":         resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": kid}),
		"without a key id":              resigned(t, jwt.SigningMethodRS256, own, nil),
		"an unknown key":                resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": "../../dev/null"}),
		"a key in SQL":                  resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": "' OR 1=1 --"}),
		"a long key id":                 resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": strings.Repeat("k", 200_000)}),
		"keys elsewhere":                resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": "x", "jku": bait.URL, "x5u": bait.URL}),
		"its own key": resigned(t, jwt.SigningMethodRS256, own, map[string]any{"kid": "x", "jwk": map[string]any{
			"kty": "RSA", "n": base64.RawURLEncoding.EncodeToString(own.N.Bytes()), "e": "AQAB",
		}}),
		"a critical header": resigned(t, jwt.SigningMethodRS256, h.provider.Keypair.PrivateKey, map[string]any{"kid": kid, "crit": []string{"exp"}, "alg": "none"}),
		"an access token":   resigned(t, jwt.SigningMethodRS256, h.provider.Keypair.PrivateKey, map[string]any{"kid": kid, "typ": "at+jwt"}),
		"a logout token":    resigned(t, jwt.SigningMethodRS256, h.provider.Keypair.PrivateKey, map[string]any{"kid": kid, "typ": "logout+jwt"}),
		"no signature":      unsigned,
		"a cut signature":   func(token string) string { return token[:len(token)-8] },
		"an empty token":    func(string) string { return "" },
		"no token":          func(string) string { return "no.token" },
		"other claims": func(token string) string {
			parts := strings.Split(token, ".")
			return parts[0] + "." + base64.RawURLEncoding.EncodeToString([]byte(`{"sub":"u-2"}`)) + "." + parts[2]
		},
	} {
		h.forge = forge
		if token, reason := h.arrive(who); reason != "PROVIDER_TOKEN_INVALID" || token != "" {
			t.Errorf("%s: %q", name, reason)
		}
	}
	if h.forge = nil; fetched.Load() != 0 {
		t.Errorf("what a header names was fetched %d times", fetched.Load())
	}
	if _, reason := h.arrive(who); reason != "" {
		t.Errorf("the provider's own: %q", reason)
	}
}

// A provider that changes its keys signs people in with the new one at once, and with the old one no more.
func TestTheProviderChangesItsKeys(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	who := guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}}
	if _, reason := h.arrive(who); reason != "" {
		t.Fatal(reason)
	}
	before := h.provider.Keypair
	after, err := mockoidc.RandomKeypair(2048)
	if err != nil {
		t.Fatal(err)
	}
	h.provider.Keypair = after
	if _, reason := h.arrive(who); reason != "" {
		t.Errorf("with the new key: %q", reason)
	}
	h.forge = resigned(t, jwt.SigningMethodRS256, before.PrivateKey, map[string]any{"kid": before.Kid})
	if _, reason := h.arrive(who); reason != "PROVIDER_TOKEN_INVALID" {
		t.Errorf("with the key of before: %q", reason)
	}
}

// A code that belongs to somebody else's attempt is worth nothing in one's own (RFC 9700 section 4.5): the verifier and the nonce are not its.
func TestAStolenCodeIsWorthNothing(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	victim, _ := h.goThere("/oidc/signIn", guest{subject: "u-1", login: "tomas", groups: []string{"mechanics"}})
	thief, mine := h.goThere("/oidc/signIn", guest{subject: "u-2", login: "thief", groups: []string{"mechanics"}})
	code := func(back string) string {
		_, query, _ := strings.Cut(back, "code=")
		value, _, _ := strings.Cut(query, "&")
		return value
	}
	mixed := strings.Replace(thief, code(thief), code(victim), 1)
	if mixed == thief || code(victim) == "" {
		t.Fatalf("%s and %s", victim, thief)
	}
	if _, reason := h.comeBack(mixed, mine); reason != "PROVIDER_REFUSED" && reason != "PROVIDER_TOKEN_INVALID" {
		t.Errorf("somebody else's code: %q", reason)
	}
	for name, back := range map[string]string{"no code": "/oidc/callback?state=x", "nothing": "/oidc/callback", "two states": thief + "&state=x&state=y"} {
		if token, reason := h.comeBack(back, mine); token != "" || reason == "" {
			t.Errorf("%s: %q", name, reason)
		}
	}
}

// Groups count however the provider writes them; where it leaves them out because there are too many, nobody gets a role by guess.
func TestGroupsInEveryForm(t *testing.T) {
	h := newHouse(t, "mechanics=technician")
	set := func(value any) func(jwt.MapClaims) {
		return func(c jwt.MapClaims) { c["groups"] = value }
	}
	for name, c := range map[string]struct {
		change func(jwt.MapClaims)
		want   string
	}{
		"a list": {set([]string{"football", "mechanics"}), ""}, "one word": {set("mechanics"), ""}, "with what is no name": {set([]any{5, nil, "mechanics"}), ""},
		"several in one word": {set("mechanics,football"), "PROVIDER_ROLE_MISSING"}, "another spelling": {set([]string{"Mechanics", " mechanics"}), "PROVIDER_ROLE_MISSING"},
		"none": {set([]string{}), "PROVIDER_ROLE_MISSING"}, "nothing": {set(nil), "PROVIDER_ROLE_MISSING"}, "an object": {set(map[string]any{"mechanics": true}), "PROVIDER_ROLE_MISSING"},
		"too many to list": {func(c jwt.MapClaims) {
			delete(c, "groups")
			c["_claim_names"], c["_claim_sources"] = map[string]string{"groups": "src1"}, map[string]any{"src1": map[string]string{"endpoint": "https://elsewhere.example"}}
		}, "PROVIDER_ROLE_MISSING"},
	} {
		if _, reason := h.arrive(guest{subject: "u-" + name, login: "x", change: c.change}); reason != c.want {
			t.Errorf("%s: %q, want %q", name, reason, c.want)
		}
	}
}
