package gateway

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/audit"
	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

const (
	tokenPath    = "/oauth2/token" //nolint:gosec // a path
	maxTokenForm = 16 << 10        // bytes
)

// token serves the client credentials grant of OAuth 2.0 (RFC 6749 section 4.4). The client id is the name of an API key,
// the client secret is its secret; errors are those of section 5.2.
func (g *Gateway) token(w http.ResponseWriter, r *http.Request) {
	if err := g.doorman.count(r.Context()); err != nil {
		g.doorman.refused(r.Context(), "HTTP POST "+tokenPath, "", rpc.ToStatus(err))
		rest.Refuse(w, err)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxTokenForm)
	if r.ParseForm() != nil || strings.Contains(r.URL.RawQuery, "client_secret") {
		g.refuseToken(w, r, "", "invalid_request", http.StatusBadRequest)
		return
	}
	id, secret, ok := client(r)
	switch grant := r.PostForm.Get("grant_type"); {
	case !ok:
		g.refuseToken(w, r, id, "invalid_client", http.StatusUnauthorized)
		return
	case grant == "":
		g.refuseToken(w, r, id, "invalid_request", http.StatusBadRequest)
		return
	case grant != "client_credentials":
		g.refuseToken(w, r, id, "unsupported_grant_type", http.StatusBadRequest)
		return
	}
	token, scopes, life, err := g.store.Grant(r.Context(), id, secret, strings.Fields(r.PostForm.Get("scope")))
	switch {
	case errors.Is(err, accounts.ErrScope):
		g.refuseToken(w, r, id, "invalid_scope", http.StatusBadRequest)
	case fault.HasReason(err, "CREDENTIALS_WRONG"):
		g.refuseToken(w, r, id, "invalid_client", http.StatusUnauthorized)
	case err != nil:
		g.deps.Log.ErrorContext(r.Context(), "no token could be made", "error", err)
		g.refuseToken(w, r, id, "server_error", http.StatusInternalServerError)
	default:
		g.audit(r, id, "OK")
		answer(w, http.StatusOK, map[string]any{
			"access_token": token, "token_type": "Bearer", "expires_in": int(life.Seconds()), "scope": strings.Join(scopes, " "),
		})
	}
}

// client reads the client's credentials: of the authorization header, or of the form (RFC 6749 section 2.3.1); not of both.
func client(r *http.Request) (id, secret string, ok bool) {
	form := r.PostForm.Get("client_secret")
	if name, password, basic := r.BasicAuth(); basic {
		id, err := url.QueryUnescape(name)
		secret, also := url.QueryUnescape(password)
		return id, secret, err == nil && also == nil && form == "" && secret != ""
	}
	return r.PostForm.Get("client_id"), form, form != ""
}

func (g *Gateway) refuseToken(w http.ResponseWriter, r *http.Request, id, code string, status int) {
	g.audit(r, id, strings.ToUpper(code))
	if status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Basic realm="coldsection"`)
	}
	answer(w, status, map[string]any{"error": code})
}

// audit notes who asked for a token; the id is what the caller says until the outcome is OK.
func (g *Gateway) audit(r *http.Request, key, outcome string) {
	account, _, _ := strings.Cut(key, "/apiKeys/")
	const method = "HTTP POST " + tokenPath
	if outcome != "OK" {
		g.doorman.audit.Stranger(r.Context(), audit.Call{Method: method, Target: shortened(key)}, outcome)
		return
	}
	g.doorman.write(auth.NewContext(r.Context(), auth.Identity{Account: account}), method, shortened(key), outcome)
}

func answer(w http.ResponseWriter, status int, body map[string]any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(body) //nolint:errchkjson // texts and numbers; the caller may be gone
}
