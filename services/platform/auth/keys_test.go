package auth_test

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var now = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func secret(letter string) []byte { return []byte(strings.Repeat(letter, 32)) }

func keys(t *testing.T, letters ...string) *auth.Keys {
	t.Helper()
	var secrets [][]byte
	for _, l := range letters {
		secrets = append(secrets, secret(l))
	}
	k, err := auth.NewKeys(secrets...)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

var ada = auth.Identity{
	Account: "accounts/ada", Person: "people/ada", DisplayName: "Ada", Roles: []string{"stores", "planner"}, Kind: auth.Human,
	AuthTime: now.Add(-time.Hour), SessionID: "s1",
}

func TestIdentityTravels(t *testing.T) {
	token, err := keys(t, "a").MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	got, err := keys(t, "a").VerifyIdentity(token, now.Add(auth.IdentityLife))
	if err != nil || !reflect.DeepEqual(got, ada) {
		t.Errorf("got %+v, %v; want %+v", got, err, ada)
	}
	if got, err := keys(t, "b", "a").VerifyIdentity(token, now); err != nil || got.Account != ada.Account {
		t.Errorf("while the secret is being replaced: %v, %v", got, err)
	}
}

func TestFalseIdentitiesAreRefused(t *testing.T) {
	k := keys(t, "a")
	good, err := k.MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	proof, err := k.MintProof(auth.Reauth{Account: ada.Account, Person: ada.Person, ID: "p1", At: now, Method: "password"})
	if err != nil {
		t.Fatal(err)
	}
	claims := jwt.MapClaims{
		"iss": "coldsection", "aud": "coldsection-internal", "sub": "accounts/eve", "kind": "human", "exp": now.Add(time.Minute).Unix(),
	}
	unsigned, err := jwt.NewWithClaims(jwt.SigningMethodNone, claims).SignedString(jwt.UnsafeAllowNoneSignatureType)
	if err != nil {
		t.Fatal(err)
	}
	longer, err := jwt.NewWithClaims(jwt.SigningMethodHS512, claims).SignedString(secret("a"))
	if err != nil {
		t.Fatal(err)
	}
	delete(claims, "exp")
	forEver, err := jwt.NewWithClaims(jwt.SigningMethodHS256, claims).SignedString(secret("a"))
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(good, ".")
	for name, c := range map[string]struct {
		token string
		at    time.Time
	}{
		"too old": {good, now.Add(auth.IdentityLife + time.Minute)}, "from the future": {good, now.Add(-time.Hour)},
		"nothing": {"", now}, "words": {"a.b.c", now}, "unsigned": {unsigned, now}, "another algorithm": {longer, now},
		"without end": {forEver, now}, "a proof": {proof, now}, "cut": {parts[0] + "." + parts[1] + ".", now},
	} {
		if got, err := k.VerifyIdentity(c.token, c.at); !fault.HasReason(err, "IDENTITY_INVALID") || got.Account != "" {
			t.Errorf("%s: got %v, %v", name, got, err)
		}
	}
	if _, err := keys(t, "b").VerifyIdentity(good, now); !fault.HasReason(err, "IDENTITY_INVALID") {
		t.Errorf("another secret: %v", err)
	}
}

// Faults C1 and C2: neither an algorithm that a token names for itself, in any spelling, nor a key that it names or brings along makes it one of the
// suite's; and nothing that its header names is fetched or read.
func TestATokenChoosesNeitherItsAlgorithmNorItsKey(t *testing.T) {
	k := keys(t, "a")
	asked := false
	bait := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked = true }))
	t.Cleanup(bait.Close)
	own, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	part := func(v any) string {
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return base64.RawURLEncoding.EncodeToString(text)
	}
	sign := func(key []byte, header map[string]any) string {
		body := part(header) + "." + part(map[string]any{
			"iss": "coldsection", "aud": "coldsection-internal", "sub": "accounts/eve", "kind": "human", "roles": []string{"admin"},
			"iat": now.Unix(), "exp": now.Add(time.Minute).Unix(),
		})
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(body))
		return body + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
	}
	stripped := func(token string) string { return token[:strings.LastIndex(token, ".")+1] }
	der, err := x509.MarshalPKIXPublicKey(own.Public())
	if err != nil {
		t.Fatal(err)
	}
	head := func(name string, value any) map[string]any {
		return map[string]any{"alg": "HS256", "typ": "JWT", name: value}
	}
	jwk := map[string]any{"kty": "oct", "k": base64.RawURLEncoding.EncodeToString(secret("b"))}
	for name, token := range map[string]string{
		"alg none":                    stripped(sign(secret("a"), head("alg", "none"))),
		"alg NONE":                    stripped(sign(secret("a"), head("alg", "NONE"))),
		"alg nOnE with a signature":   sign(secret("a"), head("alg", "nOnE")),
		"no algorithm":                sign(secret("a"), head("alg", nil)),
		"an algorithm that is a list": sign(secret("a"), head("alg", []string{"HS256"})),
		"HS256 in small letters":      sign(secret("a"), head("alg", "hs256")),
		"RS256 over our secret":       sign(secret("a"), head("alg", "RS256")),
		"a public key as the secret":  sign(der, head("kid", "provider")),
		"a stripped signature":        stripped(sign(secret("a"), head("kid", ""))),
		"the empty key":               sign(nil, head("kid", "/dev/null")),
		"a path":                      sign(nil, head("kid", "../../dev/null")),
		"SQL":                         sign([]byte("x"), head("kid", "' UNION SELECT 'x' --")),
		"a megabyte":                  sign(secret("b"), head("kid", strings.Repeat("k", 1<<20))),
		"a key set elsewhere":         sign(secret("b"), head("jku", bait.URL)),
		"a certificate elsewhere":     sign(secret("b"), head("x5u", bait.URL)),
		"a key of its own":            sign(secret("b"), head("jwk", jwk)),
		"certificates of its own":     sign(secret("b"), head("x5c", []string{base64.StdEncoding.EncodeToString(der)})),
	} {
		if got, err := k.VerifyIdentity(token, now); !fault.HasReason(err, "IDENTITY_INVALID") || got.Account != "" || len(got.Roles) > 0 {
			t.Errorf("%s: got %v, %v", name, got, err)
		}
	}
	if got, err := k.VerifyIdentity(sign(secret("a"), head("kid", "../../dev/null")), now); err != nil || got.Account != "accounts/eve" {
		t.Errorf("what is signed with our secret, whatever it says of keys: %v, %v", got, err)
	}
	if asked {
		t.Error("what a header names was fetched")
	}
}

// Fault C3: clocks may differ by a minute, which is the same for identities and proofs; whatever another system made is refused however fresh it is.
func TestTokensOfAnotherTimeOrSystemAreRefused(t *testing.T) {
	if auth.ClockSkew != time.Minute {
		t.Fatalf("clocks may differ by %v", auth.ClockSkew)
	}
	k, id := keys(t, "a"), auth.NewContext(t.Context(), ada)
	type setting map[string]any
	for _, c := range []struct {
		name   string
		claims setting
		header setting
		taken  bool
	}{
		{"as it should be", nil, nil, true},
		{"over for 59 s", setting{"exp": now.Add(-59 * time.Second).Unix()}, nil, true},
		{"over for 61 s", setting{"exp": now.Add(-61 * time.Second).Unix()}, nil, false},
		{"without end", setting{"exp": nil}, nil, false},
		{"an end that is no time", setting{"exp": "tomorrow"}, nil, false},
		{"in force in 59 s", setting{"nbf": now.Add(59 * time.Second).Unix()}, nil, true},
		{"in force in 61 s", setting{"nbf": now.Add(61 * time.Second).Unix()}, nil, false},
		{"made in 59 s", setting{"iat": now.Add(59 * time.Second).Unix()}, nil, true},
		{"made in 61 s", setting{"iat": now.Add(61 * time.Second).Unix()}, nil, false},
		{"of another issuer", setting{"iss": "https://provider.example"}, nil, false},
		{"of no issuer", setting{"iss": nil}, nil, false},
		{"for another system", setting{"aud": "billing"}, nil, false},
		{"for nobody", setting{"aud": nil}, nil, false},
		{"an access token", nil, setting{"typ": "at+jwt"}, false},
		{"a logout token", nil, setting{"typ": "logout+jwt"}, false},
		{"of no kind", nil, setting{"typ": nil}, false},
		{"a kind that is no word", nil, setting{"typ": 5}, false},
	} {
		forge := func(audience string) string {
			claims := jwt.MapClaims{
				"iss": "coldsection", "aud": audience, "sub": ada.Account, "person": ada.Person, "jti": "p1", "kind": "human",
				"iat": now.Unix(), "exp": now.Add(time.Minute).Unix(),
			}
			token := jwt.NewWithClaims(jwt.SigningMethodHS256, claims)
			for into, from := range map[*map[string]any]setting{(*map[string]any)(&claims): c.claims, &token.Header: c.header} {
				for name, value := range from {
					if (*into)[name] = value; value == nil {
						delete(*into, name)
					}
				}
			}
			text, err := token.SignedString(secret("a"))
			if err != nil {
				t.Fatal(err)
			}
			return text
		}
		got, err := k.VerifyIdentity(forge("coldsection-internal"), now)
		if c.taken != (err == nil) || c.taken != (got.Account == ada.Account) || !c.taken && !fault.HasReason(err, "IDENTITY_INVALID") {
			t.Errorf("an identity %s: %v, %v", c.name, got.Account, err)
		}
		if _, err := k.VerifyReauth(id, forge("coldsection-reauthentication"), now); c.taken != (err == nil) || !c.taken && !fault.HasReason(err, "REAUTHENTICATION_NEEDED") {
			t.Errorf("a proof %s: %v", c.name, err)
		}
	}
}

func TestProofIsTheCallersOwnAndFresh(t *testing.T) {
	k := keys(t, "a")
	token, err := k.MintProof(auth.Reauth{Account: ada.Account, Person: ada.Person, ID: "p1", At: now, Method: "password"})
	if err != nil {
		t.Fatal(err)
	}
	identity, err := k.MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	eve, shared := ada, ada
	eve.Account, shared.Person = "accounts/eve", "people/eve"
	got, err := k.VerifyReauth(auth.NewContext(t.Context(), ada), token, now.Add(time.Minute))
	want := auth.Reauth{Account: ada.Account, Person: ada.Person, ID: "p1", At: got.At, Method: "password"}
	if err != nil || got != want || !got.At.Equal(now) {
		t.Errorf("got %+v, %v", got, err)
	}
	for name, c := range map[string]struct {
		ctx   context.Context
		token string
		at    time.Time
	}{
		"somebody else's":  {auth.NewContext(t.Context(), eve), token, now},
		"another person's": {auth.NewContext(t.Context(), shared), token, now},
		"nobody's":         {t.Context(), token, now},
		"too old":          {auth.NewContext(t.Context(), ada), token, now.Add(auth.ProofLife + time.Minute)},
		"no proof":         {auth.NewContext(t.Context(), ada), "", now}, "an identity": {auth.NewContext(t.Context(), ada), identity, now},
	} {
		if _, err := k.VerifyReauth(c.ctx, c.token, c.at); !fault.HasReason(err, "REAUTHENTICATION_NEEDED") {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestProofIsUsedOnce(t *testing.T) {
	files := fstest.MapFS{"0001_none.sql": {Data: []byte("-- +goose Up\nSELECT 1;\n")}}
	storagetest.Engines(t, storage.Migrations{SQLite: files, Postgres: files}, func(t *testing.T, db *storage.DB) {
		use := func(id string) error {
			return db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				return auth.UseProof(ctx, tx, auth.Reauth{ID: id}, now)
			})
		}
		if err := use("p1"); err != nil {
			t.Fatal(err)
		}
		if err := use("p1"); !fault.HasReason(err, "REAUTHENTICATION_NEEDED") {
			t.Errorf("the second use: %v", err)
		}
		if err := use("p2"); err != nil {
			t.Errorf("another proof: %v", err)
		}
	})
}

func TestKeysAreLoadedOrMade(t *testing.T) {
	path := filepath.Join(t.TempDir(), "secret")
	if _, err := auth.LoadKeys(path, false); err == nil {
		t.Error("a missing file passes")
	}
	made, err := auth.LoadKeys(path, true)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file has mode %v, %v", info.Mode(), err)
	}
	token, err := made.MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	loaded, err := auth.LoadKeys(path, true)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := loaded.VerifyIdentity(token, now); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	for name, text := range map[string]string{"empty": "", "short": "abcd\n", "not hexadecimal": strings.Repeat("xy", 32)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := auth.LoadKeys(path, false); err == nil {
			t.Errorf("%s: passes", name)
		}
	}
	if _, err := auth.NewKeys(); err == nil {
		t.Error("no secret passes")
	}
}

func TestKeysAreReplacedForWhoeverHoldsThem(t *testing.T) {
	held, old := keys(t, "a"), keys(t, "a")
	token, err := held.MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	pages := held.Derive("page tokens")
	held.Replace(keys(t, "b", "a"))
	if _, err := held.VerifyIdentity(token, now); err != nil {
		t.Errorf("an assertion under the old one meanwhile: %v", err)
	}
	if both := held.Derive("page tokens"); len(both) != 2 || !reflect.DeepEqual(both[1], pages[0]) || reflect.DeepEqual(both[0], pages[0]) ||
		reflect.DeepEqual(held.Derive("other")[0], both[0]) {
		t.Errorf("derived %x, before %x", both, pages)
	}
	fresh, err := held.MintIdentity(ada, now)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := old.VerifyIdentity(fresh, now); !fault.HasReason(err, "IDENTITY_INVALID") {
		t.Errorf("it still speaks with the old one: %v", err)
	}
	held.Replace(keys(t, "b"))
	if _, err := held.VerifyIdentity(token, now); !fault.HasReason(err, "IDENTITY_INVALID") {
		t.Errorf("an assertion under the old one afterwards: %v", err)
	}
}

// A second person is somebody else in account and in person, with a fresh proof that names who they are; the caller's own, under another account of
// theirs too, is none, and so is one that is too old, or of nobody, or no proof at all.
func TestASecondPersonIsSomebodyElse(t *testing.T) {
	k := keys(t, "a")
	proof := func(account, person string) string {
		token, err := k.MintProof(auth.Reauth{Account: account, Person: person, ID: "p2", At: now, Method: "password"})
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	identity, err := k.MintIdentity(auth.Identity{Account: "accounts/eve", Person: "people/eve"}, now)
	if err != nil {
		t.Fatal(err)
	}
	eves, caller := proof("accounts/eve", "people/eve"), auth.NewContext(t.Context(), ada)
	got, err := k.VerifySecond(caller, eves, now.Add(time.Minute))
	if want := (auth.Reauth{Account: "accounts/eve", Person: "people/eve", ID: "p2", At: got.At, Method: "password"}); err != nil || got != want || !got.At.Equal(now) {
		t.Errorf("got %+v, %v", got, err)
	}
	robot := ada
	robot.Person = ""
	if _, err := k.VerifySecond(auth.NewContext(t.Context(), robot), eves, now); err != nil {
		t.Errorf("beside a caller without a person: %v", err)
	}
	for name, c := range map[string]struct {
		ctx   context.Context
		token string
		at    time.Time
	}{
		"the caller's own":            {caller, proof(ada.Account, ada.Person), now},
		"the caller's other account":  {caller, proof("accounts/ada-2", ada.Person), now},
		"the account, another person": {caller, proof(ada.Account, "people/eve"), now},
		"of no person":                {caller, proof("accounts/erp", ""), now},
		"of no person, for a machine": {auth.NewContext(t.Context(), robot), proof("accounts/erp", ""), now},
		"for nobody":                  {t.Context(), eves, now},
		"too old":                     {caller, eves, now.Add(auth.ProofLife + time.Minute)},
		"no proof":                    {caller, "", now},
		"an identity":                 {caller, identity, now},
	} {
		if got, err := k.VerifySecond(c.ctx, c.token, c.at); !fault.HasReason(err, "SECOND_PERSON_NEEDED") || got != (auth.Reauth{}) {
			t.Errorf("%s: got %+v, %v", name, got, err)
		}
	}
}
