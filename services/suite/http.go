package suite

import (
	"cmp"
	"net/http"
	"time"
)

// httpLimits are those of a connection over HTTP. Zero values are the defaults.
type httpLimits struct {
	Head time.Duration // until the head of a request has come; 0 means 10 s
	Rest time.Duration // between two requests; 0 means 2 min
	Size int           // of a head, in bytes; 0 means 64 KiB
}

// server is a server within the limits.
func (l httpLimits) server(handler http.Handler) *http.Server {
	return &http.Server{
		Handler: handler, ReadHeaderTimeout: cmp.Or(l.Head, 10*time.Second), IdleTimeout: cmp.Or(l.Rest, 2*time.Minute), MaxHeaderBytes: cmp.Or(l.Size, 64<<10),
	}
}
