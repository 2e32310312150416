package rest

import (
	"net/http"
	"path"
	"strings"
)

// asGet makes a GET of a HEAD, which is answered the same without the body (RFC 9110 section 9.3.2); the server leaves the body out.
func asGet(r *http.Request) *http.Request {
	if r.Method != http.MethodHead {
		return r
	}
	r = r.Clone(r.Context())
	r.Method = http.MethodGet
	return r
}

// Exact serves the API where a path is not written as paths are, such as //v1/items: it refuses them as problems, where the multiplexer would
// send the caller elsewhere with a page, which clients that send a body don't follow.
func Exact(api, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodConnect && r.URL.Path != cleaned(r.URL.Path) {
			api.ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// cleaned is a path without empty parts and dots.
func cleaned(p string) string {
	clean := path.Clean("/" + p)
	if strings.HasSuffix(p, "/") && clean != "/" {
		clean += "/"
	}
	return clean
}
