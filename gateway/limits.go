package gateway

import (
	"context"
	"net/http"

	"github.com/fullstorydev/grpchan/inprocgrpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"coldsection.example/gateway/internal/limits"
	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/auth"
)

// cameFrom carries the address of a request over HTTP to where its call is counted.
type cameFrom struct{}

// addressed notes where each request comes from.
func (d *doorman) addressed(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from := d.proxies.Caller(r.RemoteAddr, r.Header.Values("X-Forwarded-For"))
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), cameFrom{}, from)))
	})
}

// bounded refuses requests of an address on whose behalf too many are being worked on. Reason: TOO_MANY_CALLS_AT_ONCE.
func (d *doorman) bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from, _ := r.Context().Value(cameFrom{}).(string)
		leave, err := d.working.Enter(from)
		if err != nil {
			rest.Refuse(w, err)
			return
		}
		defer leave()
		next.ServeHTTP(w, r)
	})
}

// address is where a call comes from, over HTTP or gRPC.
func (d *doorman) address(ctx context.Context) string {
	for _, c := range []context.Context{ctx, inprocgrpc.ClientContext(ctx)} {
		if c == nil {
			continue
		}
		if from, ok := c.Value(cameFrom{}).(string); ok {
			return from
		}
	}
	p, ok := peer.FromContext(ctx)
	if !ok {
		return ""
	}
	md, _ := metadata.FromIncomingContext(ctx)
	return d.proxies.Caller(p.Addr.String(), md.Get("x-forwarded-for"))
}

// count takes a call from what the caller may make: the account's, or for somebody nobody knows the address's. Reason: TOO_MANY_CALLS.
func (d *doorman) count(ctx context.Context) error {
	if id, known := auth.FromContext(ctx); known {
		return d.calls.Take(ctx, id.Account)
	}
	return d.strangers.Take(ctx, d.address(ctx))
}

// judged is why a call is refused at the door: wrong credentials cost the address a call, so that guessing has its limit too.
func (d *doorman) judged(ctx context.Context, err error) error {
	if limit := d.count(ctx); limit != nil {
		return limit
	}
	return err
}

// Limits are those of each caller; 0 is none.
type Limits struct {
	CallsPerSecond     int // of one account
	StrangersPerSecond int // of one address, before anybody is signed in
	CallsAtOnce        int // of one address that are being worked on
	Connections        int // of one address to each of the two ports
	Proxies            limits.Proxies
}
