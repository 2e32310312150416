// Package console serves the browser console: static files that use the public REST API and nothing else.
package console

import (
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"strings"
)

//go:embed static
var files embed.FS

// Handler serves the console's files; what is none of them is the business of others. Scripts, styles and calls of the page may come from its own
// origin only.
func Handler(others http.Handler) http.Handler {
	static, err := fs.Sub(files, "static")
	if err != nil {
		panic(fmt.Sprintf("console: %v", err)) // the folder is embedded above
	}
	serve := http.FileServerFS(static)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if name := strings.Trim(r.URL.Path, "/"); name != "" && !there(static, name) {
			others.ServeHTTP(w, r)
			return
		}
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-cache")
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			h.Set("Allow", "GET, HEAD")
			http.Error(w, "The console's files can only be read; the API is under /v1/.", http.StatusMethodNotAllowed)
			return
		}
		serve.ServeHTTP(w, r)
	})
}

// there says whether a file has a name.
func there(files fs.FS, name string) bool {
	if !fs.ValidPath(name) {
		return false
	}
	about, err := fs.Stat(files, name)
	return err == nil && !about.IsDir()
}
