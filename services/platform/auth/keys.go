package auth

import (
	"context"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// ClockSkew is by how much the clocks of two that hand each other tokens may differ: of two processes of the suite, and of the suite and the provider
// that signs people in. A token is taken so long after its end and before its beginning, and nowhere longer.
const ClockSkew = time.Minute

// How long assertions live, and what they are for.
const (
	IdentityLife = 5 * time.Minute
	ProofLife    = 2 * time.Minute
	kindOfToken  = "JWT"
	issuer       = "coldsection"
	forIdentity  = "coldsection-internal"
	forProof     = "coldsection-reauthentication"
)

// Keys mint and check assertions. The first secret mints; all are accepted, so that a secret can be replaced under load.
type Keys struct {
	secrets atomic.Pointer[[][]byte]
}

// all are the secrets in force.
func (k *Keys) all() [][]byte { return *k.secrets.Load() }

// Replace takes the secrets of other keys, at once for whoever holds these.
func (k *Keys) Replace(by *Keys) { k.secrets.Store(by.secrets.Load()) }

// Derive makes a secret for a purpose of its own out of each, in their order (HKDF, RFC 5869).
func (k *Keys) Derive(purpose string) [][]byte {
	var derived [][]byte
	for _, secret := range k.all() {
		key, err := hkdf.Key(sha256.New, secret, nil, "coldsection "+purpose, sha256.Size)
		if err != nil {
			panic(err) // the length is one that the hash allows
		}
		derived = append(derived, key)
	}
	return derived
}

// NewKeys takes secrets of at least 32 bytes.
func NewKeys(secrets ...[]byte) (*Keys, error) {
	if len(secrets) == 0 {
		return nil, errors.New("no internal secret is configured")
	}
	for _, s := range secrets {
		if len(s) < 32 {
			return nil, errors.New("an internal secret is shorter than 32 bytes; make one with 'openssl rand -hex 32'")
		}
	}
	k := &Keys{}
	k.secrets.Store(&secrets)
	return k, nil
}

// LoadKeys reads hexadecimal secrets, a line each, from a file; with create it makes the file when it is missing.
func LoadKeys(path string, create bool) (*Keys, error) {
	text, err := os.ReadFile(path)
	if os.IsNotExist(err) && create {
		secret := make([]byte, 32)
		_, _ = rand.Read(secret)
		text = []byte(hex.EncodeToString(secret) + "\n")
		err = os.WriteFile(path, text, 0o600)
	}
	if err != nil {
		return nil, fmt.Errorf("the internal secret: %w", err)
	}
	var secrets [][]byte
	for line := range strings.FieldsSeq(string(text)) {
		secret, err := hex.DecodeString(line)
		if err != nil {
			return nil, fmt.Errorf("the internal secret in %s is not hexadecimal", path)
		}
		secrets = append(secrets, secret)
	}
	return NewKeys(secrets...)
}

type identityClaims struct {
	jwt.RegisteredClaims

	Person  string   `json:"person,omitempty"`
	Display string   `json:"name,omitempty"`
	Roles   []string `json:"roles,omitempty"`
	Kind    string   `json:"kind"`
	Auth    int64    `json:"auth_time,omitempty"`
	Session string   `json:"sid,omitempty"`
	Owners  []string `json:"owners,omitempty"`
	Scopes  []string `json:"scopes,omitempty"`
}

// MintIdentity asserts who calls, to the suite's own services.
func (k *Keys) MintIdentity(id Identity, now time.Time) (string, error) {
	return k.mint(identityClaims{
		RegisteredClaims: claims(id.Account, forIdentity, "", now, IdentityLife),
		Person:           id.Person, Display: id.DisplayName, Roles: id.Roles, Kind: id.Kind,
		Auth: storage.Micros(id.AuthTime), Session: id.SessionID, Owners: id.Owners, Scopes: id.Scopes,
	})
}

// VerifyIdentity reads an assertion of MintIdentity.
func (k *Keys) VerifyIdentity(token string, now time.Time) (Identity, error) {
	var c identityClaims
	if err := k.verify(token, &c, forIdentity, now); err != nil {
		return Identity{}, fault.New(fault.Unauthenticated, "IDENTITY_INVALID",
			"The caller's identity could not be verified. Sign in again.").Because(err)
	}
	return Identity{
		Account: c.Subject, Person: c.Person, DisplayName: c.Display, Roles: c.Roles, Kind: c.Kind,
		AuthTime: storage.FromMicros(c.Auth), SessionID: c.Session, Owners: c.Owners, Scopes: c.Scopes,
	}, nil
}

// Reauth is a fresh proof that a person is at the keyboard.
type Reauth struct {
	Account, Person string
	ID              string // to be used once
	At              time.Time
	Method          string // how it was proved, such as "password"
}

type proofClaims struct {
	jwt.RegisteredClaims

	Person string `json:"person"`
	Method string `json:"method"`
}

// MintProof asserts a fresh re-authentication.
func (k *Keys) MintProof(r Reauth) (string, error) {
	return k.mint(proofClaims{RegisteredClaims: claims(r.Account, forProof, r.ID, r.At, ProofLife), Person: r.Person, Method: r.Method})
}

// VerifyReauth reads a proof and checks that it is the caller's own. Reason: REAUTHENTICATION_NEEDED. UseProof makes it
// single-use.
func (k *Keys) VerifyReauth(ctx context.Context, token string, now time.Time) (Reauth, error) {
	var c proofClaims
	err := k.verify(token, &c, forProof, now)
	id, _ := FromContext(ctx)
	if err != nil || id.Account == "" || c.Subject != id.Account || c.Person != id.Person {
		return Reauth{}, needProof().Because(err)
	}
	return Reauth{Account: c.Subject, Person: c.Person, ID: c.ID, At: c.IssuedAt.Time, Method: c.Method}, nil
}

// VerifySecond reads the proof of a second person, who is not the caller. Reason: SECOND_PERSON_NEEDED. UseProof makes it
// single-use.
func (k *Keys) VerifySecond(ctx context.Context, token string, now time.Time) (Reauth, error) {
	var c proofClaims
	err := k.verify(token, &c, forProof, now)
	id, _ := FromContext(ctx)
	if err != nil || id.Account == "" || c.Person == "" || c.Subject == id.Account || c.Person == id.Person {
		return Reauth{}, fault.Denied("SECOND_PERSON_NEEDED",
			"A second person must stand for this, with a fresh proof of their own, used once and within two minutes. Have that person enter their password.").Because(err)
	}
	return Reauth{Account: c.Subject, Person: c.Person, ID: c.ID, At: c.IssuedAt.Time, Method: c.Method}, nil
}

func needProof() *fault.Error {
	return fault.Denied("REAUTHENTICATION_NEEDED",
		"A signature needs a fresh proof of who you are, used once and within two minutes. Enter your password again.")
}

// UseProof marks a proof as used, in the transaction of the signature; a second use is refused.
func UseProof(ctx context.Context, tx *storage.Tx, r Reauth, now time.Time) error {
	n, err := tx.Exec(ctx, "INSERT INTO used_proofs (proof_id, use_time) VALUES ($1, $2) ON CONFLICT DO NOTHING", r.ID, storage.Micros(now))
	if err == nil && n == 0 {
		return needProof()
	}
	return err
}

func claims(subject, audience, id string, now time.Time, life time.Duration) jwt.RegisteredClaims {
	return jwt.RegisteredClaims{
		Issuer: issuer, Subject: subject, Audience: jwt.ClaimStrings{audience}, ID: id,
		IssuedAt: jwt.NewNumericDate(now), ExpiresAt: jwt.NewNumericDate(now.Add(life)),
	}
}

func (k *Keys) mint(c jwt.Claims) (string, error) {
	return jwt.NewWithClaims(jwt.SigningMethodHS256, c).SignedString(k.all()[0])
}

func (k *Keys) verify(token string, into jwt.Claims, audience string, now time.Time) error {
	parser := jwt.NewParser(jwt.WithValidMethods([]string{"HS256"}), jwt.WithAudience(audience), jwt.WithIssuer(issuer),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithLeeway(ClockSkew), jwt.WithTimeFunc(func() time.Time { return now }))
	err := errors.New("no key")
	for _, secret := range k.all() {
		if _, err = parser.ParseWithClaims(token, into, func(t *jwt.Token) (any, error) { return secret, isOurs(t) }); err == nil {
			return nil
		}
	}
	return err
}

// isOurs refuses a token that says it is of another kind than the suite's own (RFC 8725 section 3.11).
func isOurs(t *jwt.Token) error {
	if kind := t.Header["typ"]; kind != kindOfToken {
		return fmt.Errorf("the token is of the kind %v", kind)
	}
	return nil
}
