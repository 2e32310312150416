package gateway

import (
	"net/http"

	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/rpc"
)

// numbered names every request over HTTP as its caller did, or anew, and says the name with the answer: lines of the log about it have the same.
func (g *Gateway) numbered(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := r.Header.Get(rest.RequestIDHeader)
		if !rpc.GoodRequestID(id) {
			id = g.deps.IDs.New()
		}
		r = r.Clone(rpc.WithRequestID(r.Context(), id))
		r.Header.Set(rest.RequestIDHeader, id)
		w.Header().Set(rest.RequestIDHeader, id)
		next.ServeHTTP(w, r)
	})
}
