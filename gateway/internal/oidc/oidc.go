// Package oidc lets people sign in by an OpenID Connect provider: discovery, the authorization code flow with PKCE
// (RFC 7636), and what the provider's groups give (OpenID Connect Core 1.0).
//
// An attempt is bound to the browser that began it: state, nonce and PKCE verifier travel in a sealed cookie and are never
// kept here. The provider is asked for its keys and addresses when it is first needed, so it may be down at start.
package oidc

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
	"golang.org/x/sync/singleflight"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

const (
	attemptLife = 10 * time.Minute
	patience    = 10 * time.Second // for an answer of the provider
)

// Config says which provider, and who the suite is to it.
type Config struct {
	Issuer       string // https, or http on loopback for tests
	ClientID     string
	ClientSecret string
	PublicURL    string // where browsers reach the gateway; the provider sends them back below it
	Name         string // what people call the provider
	GroupsClaim  string // the claim that lists the groups; empty means "groups"
	Grants       Grants
}

// CallbackPath is where the provider sends browsers back to.
const CallbackPath = "/oidc/callback"

// Check names what is missing or unsafe.
func (c Config) Check() error {
	issuer, err := url.Parse(c.Issuer)
	if err != nil || issuer.Host == "" {
		return fmt.Errorf("the OpenID Connect issuer %q is no URL", c.Issuer)
	}
	loopback := issuer.Hostname() == "127.0.0.1" || issuer.Hostname() == "localhost" || issuer.Hostname() == "::1"
	if issuer.Scheme != "https" && !loopback {
		return fmt.Errorf("the OpenID Connect issuer %q is not https", c.Issuer)
	}
	if public, err := url.Parse(c.PublicURL); err != nil || public.Host == "" {
		return errors.New("signing in by OpenID Connect needs the URL at which browsers reach this gateway")
	}
	if c.ClientID == "" {
		return errors.New("signing in by OpenID Connect needs the client id that the provider knows this gateway by")
	}
	return nil
}

// Provider talks to one OpenID Connect provider.
type Provider struct {
	cfg   Config
	keys  *auth.Keys
	clock clock.Clock
	http  *http.Client

	found  atomic.Pointer[oidc.Provider] // nil until it answered
	asking singleflight.Group
}

// New makes a provider that is not asked for anything yet.
func New(cfg Config, keys *auth.Keys, c clock.Clock) (*Provider, error) {
	if cfg.GroupsClaim == "" {
		cfg.GroupsClaim = "groups"
	}
	return &Provider{cfg: cfg, keys: keys, clock: c, http: &http.Client{Timeout: patience}}, cfg.Check()
}

// Name is what people call the provider.
func (p *Provider) Name() string {
	if p.cfg.Name == "" {
		return p.cfg.Issuer
	}
	return p.cfg.Name
}

// Secure says whether browsers reach the gateway over https, so that cookies may be kept to it.
func (p *Provider) Secure() bool { return strings.HasPrefix(p.cfg.PublicURL, "https://") }

// discover finds the provider's addresses, once. While it does not answer, one call asks it and whoever else comes waits for that answer, each as
// long as the own call may take. Reason: PROVIDER_UNREACHABLE.
func (p *Provider) discover(ctx context.Context) (*oidc.Provider, error) {
	if found := p.found.Load(); found != nil {
		return found, nil
	}
	asking := p.asking.DoChan("", func() (any, error) {
		if found := p.found.Load(); found != nil { // since this call looked
			return found, nil
		}
		found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), p.http), p.cfg.Issuer)
		if err == nil {
			p.found.Store(found)
		}
		return found, err
	})
	var err error
	select {
	case <-ctx.Done():
		err = ctx.Err()
	case answer := <-asking:
		if answer.Err == nil {
			return p.found.Load(), nil
		}
		err = answer.Err
	}
	return nil, fault.New(fault.Unavailable, "PROVIDER_UNREACHABLE",
		"%s did not answer as an OpenID Connect provider. Try again later, or sign in with a password.", p.Name()).Because(err)
}

func (p *Provider) client(found *oidc.Provider) *oauth2.Config {
	scopes := []string{oidc.ScopeOpenID, "profile"}
	var more struct {
		Scopes []string `json:"scopes_supported"`
	}
	if found.Claims(&more) == nil && slices.Contains(more.Scopes, "groups") {
		scopes = append(scopes, "groups")
	}
	return &oauth2.Config{
		ClientID: p.cfg.ClientID, ClientSecret: p.cfg.ClientSecret, Endpoint: found.Endpoint(),
		RedirectURL: strings.TrimSuffix(p.cfg.PublicURL, "/") + CallbackPath, Scopes: scopes,
	}
}

// Begin starts an attempt: where the browser goes, and what it must bring back with the answer. A session makes it a fresh
// proof of its owner, who must type the password at the provider again.
func (p *Provider) Begin(ctx context.Context, session string) (address, sealed string, err error) {
	found, err := p.discover(ctx)
	if err != nil {
		return "", "", err
	}
	now := p.clock.Now()
	a := attempt{
		State: auth.NewSecret(""), Nonce: auth.NewSecret(""), Verifier: oauth2.GenerateVerifier(), Session: session,
		Begun: now.Unix(), Ends: now.Add(attemptLife).Unix(),
	}
	options := []oauth2.AuthCodeOption{oidc.Nonce(a.Nonce), oauth2.S256ChallengeOption(a.Verifier)}
	if session != "" {
		options = append(options, oauth2.SetAuthURLParam("prompt", "login"), oauth2.SetAuthURLParam("max_age", "0"))
	}
	sealed, err = a.seal(p.keys)
	return p.client(found).AuthCodeURL(a.State, options...), sealed, err
}

// User is who the provider says is there.
type User struct {
	Issuer, Subject    string
	Login, DisplayName string // what the provider calls the user; not to be trusted as an identity
	Roles, Owners      []string
	Mapped             bool   // whether groups decide about roles and owners
	Session            string // the session whose owner proved to be there; empty for a sign-in
}

// Complete takes the provider's answer. Reasons: SIGN_IN_ATTEMPT_INVALID, PROVIDER_REFUSED, PROVIDER_TOKEN_INVALID,
// PROVIDER_UNREACHABLE, REAUTHENTICATION_NEEDED.
func (p *Provider) Complete(ctx context.Context, sealed string, answer url.Values) (User, error) {
	a, err := unseal(p.keys, sealed)
	if err != nil || p.clock.Now().Unix() > a.Ends || subtle.ConstantTimeCompare([]byte(a.State), []byte(answer.Get("state"))) != 1 {
		return User{}, fault.New(fault.Unauthenticated, "SIGN_IN_ATTEMPT_INVALID",
			"This answer belongs to no attempt of this browser, or it came too late. Begin to sign in again.").Because(err)
	}
	for _, values := range answer {
		if len(values) > 1 { // RFC 6749 section 3.1
			return User{}, fault.New(fault.Unauthenticated, "SIGN_IN_ATTEMPT_INVALID", "This answer says something twice. Begin to sign in again.")
		}
	}
	iss := answer.Get("iss") // RFC 9207: an answer that another provider sent is not this one's
	if answer.Get("error") != "" || answer.Get("code") == "" || iss != "" && iss != p.cfg.Issuer {
		return User{}, fault.New(fault.Unauthenticated, "PROVIDER_REFUSED",
			"%s did not sign you in. Begin again, or ask who runs it.", p.Name()).Because(errors.New("error " + printable(answer.Get("error"))))
	}
	found, err := p.discover(ctx)
	if err != nil {
		return User{}, err
	}
	tokens, err := p.client(found).Exchange(context.WithValue(ctx, oauth2.HTTPClient, p.http), answer.Get("code"), oauth2.VerifierOption(a.Verifier))
	if err != nil {
		return User{}, fault.New(fault.Unauthenticated, "PROVIDER_REFUSED",
			"%s did not exchange the code that it gave. Begin to sign in again.", p.Name()).Because(withoutBody(err))
	}
	c, err := p.verify(ctx, found, tokens, a)
	if err != nil {
		return User{}, fault.New(fault.Unauthenticated, "PROVIDER_TOKEN_INVALID",
			"What %s says of you can't be trusted, so nobody was signed in. Begin again, and tell an administrator if it stays.", p.Name()).Because(err)
	}
	if a.Session != "" && c.AuthTime < a.Begun-int64(auth.ClockSkew/time.Second) {
		return User{}, fault.Denied("REAUTHENTICATION_NEEDED", "%s did not ask for your password again. A signature needs it; begin again.", p.Name())
	}
	return p.user(c, a.Session), nil
}

func (p *Provider) user(c claims, session string) User {
	u := User{Issuer: p.cfg.Issuer, Subject: c.Subject, Login: c.Login, DisplayName: c.DisplayName, Session: session}
	u.Mapped = len(p.cfg.Grants.Roles) > 0
	u.Roles, u.Owners = p.cfg.Grants.For(c.Groups)
	return u
}
