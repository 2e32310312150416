package gateway

import (
	"context"
	"net/http"

	"github.com/fullstorydev/grpchan/inprocgrpc"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/rest"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// unattendedHeader is sent with what a page asks by itself, such as whether there is an alarm, so that it does not keep the session of somebody alive who left.
const unattendedHeader = "Coldsection-Unattended"

// attended notes which requests nobody sits before.
func attended(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get(unattendedHeader) != "" {
			r = r.WithContext(accounts.Unattended(r.Context()))
		}
		next.ServeHTTP(w, r)
	})
}

// orIdle tells a browser whose session ended because nobody used it why nobody is signed in.
func orIdle(ctx context.Context, err error) error {
	if err == nil || outcomeOf(err) != "NOT_SIGNED_IN" {
		return err
	}
	if from := inprocgrpc.ClientContext(ctx); from != nil {
		if ended := rest.Ended(from); fault.HasReason(ended, "SESSION_IDLE") {
			return rpc.ToStatus(ended)
		}
	}
	return err
}
