package gateway

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"coldsection.example/gateway/internal/access"
	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/oidc"
	"coldsection.example/gateway/internal/rest"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

// Where browsers begin.
const (
	signInPath         = "/oidc/signIn"
	reauthenticatePath = "/oidc/reauthenticate"
	attemptCookie      = "coldsection_attempt"
	attemptSeconds     = 600
)

// Provider says which OpenID Connect provider signs people in, and what its groups give here.
type Provider struct {
	Issuer, ClientID, ClientSecret, PublicURL, Name, GroupsClaim string
	Roles, Owners                                                []string // group=role, group=owner
}

// ParseProvider reads a provider's settings; without an issuer there is none.
func ParseProvider(p Provider) (*oidc.Config, error) {
	if p.Issuer == "" {
		return nil, nil //nolint:nilnil // no provider is a way to run
	}
	grants, err := oidc.ParseGrants(p.Roles, p.Owners, access.Roles)
	if err != nil {
		return nil, err
	}
	c := &oidc.Config{
		Issuer: p.Issuer, ClientID: p.ClientID, ClientSecret: p.ClientSecret, PublicURL: p.PublicURL, Name: p.Name,
		GroupsClaim: p.GroupsClaim, Grants: grants,
	}
	return c, c.Check()
}

// CheckRoles names the first role that there is not.
func CheckRoles(roles []string) error {
	for _, r := range roles {
		if !slices.Contains(access.Roles, r) {
			return fmt.Errorf("%q is no role; roles are %s", r, strings.Join(access.Roles, ", "))
		}
	}
	return nil
}

// browsers signs people in who come back from the provider.
type browsers struct {
	provider *oidc.Provider
	gateway  *Gateway
}

// newBrowsers is nil where there is no provider.
func newBrowsers(p Provider, g *Gateway) (*browsers, error) {
	cfg, err := ParseProvider(p)
	if err != nil || cfg == nil {
		return nil, err
	}
	provider, err := oidc.New(*cfg, g.deps.Keys, g.deps.Clock)
	return &browsers{provider: provider, gateway: g}, err
}

// ways says how people sign in here.
func (b *browsers) ways() *accessv1.DescribeSignInResponse {
	if b == nil {
		return &accessv1.DescribeSignInResponse{}
	}
	return &accessv1.DescribeSignInResponse{
		ProviderName: b.provider.Name(), SignInPath: signInPath, ReauthenticatePath: reauthenticatePath,
	}
}

func (b *browsers) routes(mux *http.ServeMux) {
	if b == nil {
		return
	}
	mux.HandleFunc("GET "+signInPath, func(w http.ResponseWriter, r *http.Request) { b.begin(w, r, "") })
	mux.HandleFunc("GET "+reauthenticatePath, b.reauthenticate)
	mux.HandleFunc("GET "+oidc.CallbackPath, b.callback)
}

// reauthenticate begins a fresh proof for the session of the browser.
func (b *browsers) reauthenticate(w http.ResponseWriter, r *http.Request) {
	cookie, err := r.Cookie(rest.CookieName)
	if err != nil {
		b.refuse(w, r, fault.New(fault.Unauthenticated, "NOT_SIGNED_IN", "Nobody is signed in with this browser. Sign in first."))
		return
	}
	id, _, err := b.gateway.store.Identify(r.Context(), cookie.Value)
	if err != nil {
		b.refuse(w, r, err)
		return
	}
	b.begin(w, r.WithContext(auth.NewContext(r.Context(), id)), id.SessionID)
}

// begin sends a browser to the provider. It counts as a call, as the way back does: each makes the gateway call the provider.
func (b *browsers) begin(w http.ResponseWriter, r *http.Request, session string) {
	if err := b.gateway.doorman.count(r.Context()); err != nil {
		b.refuse(w, r, err)
		return
	}
	address, sealed, err := b.provider.Begin(r.Context(), session)
	if err != nil {
		b.refuse(w, r, err)
		return
	}
	http.SetCookie(w, b.attempt(sealed, attemptSeconds))
	http.Redirect(w, r, address, http.StatusFound)
}

// attempt is the cookie that binds an attempt to the browser; the provider's redirect must carry it, so it is not strict.
func (b *browsers) attempt(sealed string, seconds int) *http.Cookie {
	return &http.Cookie{ //nolint:gosec // secure wherever the gateway is reached over https
		Name: attemptCookie, Value: sealed, Path: oidc.CallbackPath, MaxAge: seconds, HttpOnly: true, Secure: b.provider.Secure(),
		SameSite: http.SameSiteLaxMode,
	}
}

// callback takes the provider's answer, once.
func (b *browsers) callback(w http.ResponseWriter, r *http.Request) {
	if err := b.gateway.doorman.count(r.Context()); err != nil {
		b.refuse(w, r, err)
		return
	}
	http.SetCookie(w, b.attempt("", -1))
	cookie, err := r.Cookie(attemptCookie)
	if err != nil {
		cookie = &http.Cookie{}
	}
	user, err := b.provider.Complete(r.Context(), cookie.Value, r.URL.Query())
	if err != nil {
		b.refuse(w, r, err)
		return
	}
	who := accounts.External{
		Issuer: user.Issuer, Subject: user.Subject, Login: user.Login, DisplayName: user.DisplayName,
		Roles: user.Roles, Owners: user.Owners, Mapped: user.Mapped,
	}
	if user.Session != "" {
		err = b.gateway.store.ProveExternal(r.Context(), user.Session, who)
	} else {
		r, err = b.open(w, r, who)
	}
	if err != nil {
		b.refuse(w, r, err)
		return
	}
	b.gateway.doorman.write(r.Context(), "HTTP GET", oidc.CallbackPath, "OK")
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// open opens the session of a user and gives the browser its cookie.
func (b *browsers) open(w http.ResponseWriter, r *http.Request, who accounts.External) (*http.Request, error) {
	session, err := b.gateway.store.SignInExternal(r.Context(), who)
	if err != nil {
		return r, err
	}
	http.SetCookie(w, rest.SessionCookie(session.GetToken(), b.provider.Secure()))
	return r.WithContext(auth.NewContext(r.Context(), auth.Identity{Account: session.GetAccount()})), nil
}

// refuse tells the person and the audit why nobody was signed in.
func (b *browsers) refuse(w http.ResponseWriter, r *http.Request, err error) {
	err = b.gateway.refuse(r, err)
	b.gateway.deps.Log.InfoContext(r.Context(), "a sign-in by the provider was refused", "error", err, "cause", errors.Unwrap(err))
	if e, ok := fault.As(err); ok && strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Redirect(w, r, "/#/refused/"+e.Reason, http.StatusSeeOther) //nolint:gosec // to our own console, where a person reads it; the reason is one of ours
		return
	}
	rest.Refuse(w, err)
}
