package suite

import (
	"fmt"
	"os"
	"strings"

	"coldsection.example/gateway"
)

// provider says which OpenID Connect provider signs people in; its client secret is read when the gateway starts only.
func (c *Config) provider(withSecret bool) (gateway.Provider, error) {
	p := gateway.Provider{
		Issuer: c.OIDCIssuer, ClientID: c.OIDCClientID, PublicURL: c.PublicURL, Name: c.OIDCName, GroupsClaim: c.OIDCGroupsClaim,
		Roles: c.OIDCRoles, Owners: c.OIDCOwners,
	}
	if withSecret && c.OIDCClientSecret != "" {
		text, err := os.ReadFile(c.OIDCClientSecret)
		if err != nil {
			return p, fmt.Errorf("the client secret of the OpenID Connect provider: %w", err)
		}
		p.ClientSecret = strings.TrimSpace(string(text))
	}
	_, err := gateway.ParseProvider(p)
	return p, err
}
