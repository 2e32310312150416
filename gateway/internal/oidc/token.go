package oidc

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"coldsection.example/services/platform/auth"
)

// attempt is what a browser carries from Begin to Complete.
type attempt struct {
	State    string `json:"state"`
	Nonce    string `json:"nonce"`
	Verifier string `json:"verifier"`
	Session  string `json:"session,omitempty"`
	Begun    int64  `json:"begun"` // Unix seconds
	Ends     int64  `json:"ends"`
}

const purpose = "oidc attempt"

func (a attempt) seal(keys *auth.Keys) (string, error) {
	text, err := json.Marshal(a)
	if err != nil {
		return "", err
	}
	sealed, err := keys.Seal(purpose, text)
	return base64.RawURLEncoding.EncodeToString(sealed), err
}

func unseal(keys *auth.Keys, sealed string) (a attempt, err error) {
	raw, err := base64.RawURLEncoding.DecodeString(sealed)
	if err != nil {
		return a, err
	}
	text, err := keys.Unseal(purpose, raw)
	if err != nil {
		return a, err
	}
	err = json.Unmarshal(text, &a)
	return a, err
}

// claims are what is read of an ID token.
type claims struct {
	Subject, Login, DisplayName string
	Groups                      []string
	AuthTime                    int64 // Unix seconds; 0 when the provider does not say
}

// verify checks the ID token: signature with a key of the provider under an asymmetric algorithm, issuer, audience, expiry
// (OpenID Connect Core 1.0 section 3.1.3.7), its kind, that it answers this attempt, and that it was made for this client alone.
func (p *Provider) verify(ctx context.Context, found *oidc.Provider, tokens *oauth2.Token, a attempt) (claims, error) {
	raw, _ := tokens.Extra("id_token").(string)
	ctx = oidc.ClientContext(ctx, p.http)
	// the library allows its own skew; timely has ours
	token, err := found.VerifierContext(ctx, &oidc.Config{ClientID: p.cfg.ClientID, SkipExpiryCheck: true}).Verify(ctx, raw)
	if err == nil {
		err = timely(token, p.clock.Now())
	}
	if err == nil {
		err = isIDToken(raw)
	}
	if err != nil {
		return claims{}, err
	}
	if token.Subject == "" || subtle.ConstantTimeCompare([]byte(token.Nonce), []byte(a.Nonce)) != 1 {
		return claims{}, errors.New("the token answers another attempt, or names nobody")
	}
	all := map[string]any{}
	if err := token.Claims(&all); err != nil {
		return claims{}, err
	}
	if azp, has := all["azp"]; has && azp != p.cfg.ClientID || !has && len(token.Audience) > 1 {
		return claims{}, fmt.Errorf("the token was made for the client %v", azp)
	}
	if _, has := all[p.cfg.GroupsClaim]; !has && found.UserInfoEndpoint() != "" {
		info, err := found.UserInfo(ctx, oauth2.StaticTokenSource(tokens))
		if err != nil {
			return claims{}, err
		}
		more := map[string]any{}
		if err := info.Claims(&more); err != nil || info.Subject != token.Subject {
			return claims{}, errors.New("the provider's user info is of another user")
		}
		all[p.cfg.GroupsClaim] = more[p.cfg.GroupsClaim]
	}
	return p.read(token.Subject, all), nil
}

// timely checks that a token is in force, give or take what clocks may differ; one without an end never is.
func timely(token *oidc.IDToken, now time.Time) error {
	var times struct {
		End       *float64 `json:"exp"`
		Beginning *float64 `json:"nbf"`
		Made      *float64 `json:"iat"`
	}
	if err := token.Claims(&times); err != nil {
		return err
	}
	at, skew := float64(now.UnixMicro())/1e6, auth.ClockSkew.Seconds()
	switch {
	case times.End == nil || at >= *times.End+skew:
		return errors.New("the token has no end, or it is over")
	case times.Beginning != nil && at < *times.Beginning-skew, times.Made != nil && at < *times.Made-skew:
		return errors.New("the token is not in force yet")
	}
	return nil
}

// isIDToken refuses a token of the provider's that says it is of another kind, such as an access token (RFC 9068) or a logout token.
func isIDToken(raw string) error {
	head, _, _ := strings.Cut(raw, ".")
	text, err := base64.RawURLEncoding.DecodeString(head)
	var header struct {
		Kind string `json:"typ"`
	}
	if err == nil {
		err = json.Unmarshal(text, &header)
	}
	if err == nil && header.Kind != "" && !strings.EqualFold(header.Kind, "JWT") {
		err = fmt.Errorf("the token is of the kind %q", printable(header.Kind))
	}
	return err
}

func (p *Provider) read(subject string, all map[string]any) claims {
	c := claims{Subject: subject}
	c.Login, _ = all["preferred_username"].(string)
	c.DisplayName, _ = all["name"].(string)
	if at, ok := all["auth_time"].(float64); ok {
		c.AuthTime = int64(at)
	}
	switch groups := all[p.cfg.GroupsClaim].(type) {
	case string:
		c.Groups = []string{groups}
	case []any:
		for _, g := range groups {
			if name, ok := g.(string); ok {
				c.Groups = append(c.Groups, name)
			}
		}
	}
	return c
}

// withoutBody keeps what a provider answered out of the log: it may repeat the code or the secret.
func withoutBody(err error) error {
	var answer *oauth2.RetrieveError
	if errors.As(err, &answer) && answer.Response != nil {
		return fmt.Errorf("the provider answered %s", answer.Response.Status)
	}
	return err
}

// printable is a word of a stranger, fit for a log line.
func printable(word string) string {
	const most = 64
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, word[:min(len(word), most)])
}
