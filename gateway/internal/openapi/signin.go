package openapi

import "coldsection.example/gateway/internal/accounts"

// signingIn are the ways in which a caller says who calls.
func signingIn() node {
	return node{
		"session": node{"type": "http", "scheme": "bearer", "description": "The token of a session (POST /v1/sessions:signIn) or the secret of an API key."},
		"machine": node{
			"type": "oauth2", "description": "A token for ten minutes, which a system asks for with the name of an API key as its client id and the key's secret " +
				"as its client secret; it is sent as a bearer token. A scope \"role:…\" with a role of the account leaves that role only.",
			"flows": node{"clientCredentials": node{"tokenUrl": "/oauth2/token", "scopes": scopes()}}, //nolint:gosec // an address, no secret
		},
		"console": node{"type": "apiKey", "in": "cookie", "name": "coldsection_session", "description": "The browser's session; changes need X-CSRF-Token too."},
	}
}

func scopes() node {
	said := node{}
	for scope, leaves := range accounts.Scopes() {
		said[scope] = leaves
	}
	return said
}
