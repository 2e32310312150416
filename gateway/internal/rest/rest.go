// Package rest maps the contract to HTTP and JSON as its google.api.http options say, answers refusals as RFC 9457
// problems, and knows callers by a bearer token or by the console's cookie.
package rest

import (
	"context"
	"crypto/subtle"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"coldsection.example/gateway/internal/feed"
	"coldsection.example/gateway/internal/units"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/rpc"
)

// CookieName is the console's session cookie.
const CookieName = "coldsection_session"

// csrfHeader carries the session's second token, which only a page of ours can read.
const csrfHeader = "X-Csrf-Token"

// Identify says whose token this is and which CSRF token belongs to it.
type Identify func(ctx context.Context, token string) (auth.Identity, string, error)

// registration adds the HTTP mapping of a service that a connection reaches.
type registration func(context.Context, *runtime.ServeMux, grpc.ClientConnInterface) error

func served[C any](client func(grpc.ClientConnInterface) C, register func(context.Context, *runtime.ServeMux, C) error) registration {
	return func(ctx context.Context, mux *runtime.ServeMux, conn grpc.ClientConnInterface) error {
		return register(ctx, mux, client(conn))
	}
}

// registrations are the HTTP mappings of every service of the contract.
var registrations = []registration{
	served(accessv1.NewAccessServiceClient, accessv1.RegisterAccessServiceHandlerClient),
	served(accessv1.NewAccessQueryServiceClient, accessv1.RegisterAccessQueryServiceHandlerClient),
	served(accessv1.NewSessionServiceClient, accessv1.RegisterSessionServiceHandlerClient),
	served(accessv1.NewBreakGlassServiceClient, accessv1.RegisterBreakGlassServiceHandlerClient),
	served(accessv1.NewBreakGlassQueryServiceClient, accessv1.RegisterBreakGlassQueryServiceHandlerClient),
	served(accessv1.NewEventsServiceClient, accessv1.RegisterEventsServiceHandlerClient),
	served(accessv1.NewWebhooksServiceClient, accessv1.RegisterWebhooksServiceHandlerClient),
	served(accessv1.NewWebhooksQueryServiceClient, accessv1.RegisterWebhooksQueryServiceHandlerClient),
	served(accessv1.NewPostingsServiceClient, accessv1.RegisterPostingsServiceHandlerClient),
	served(accessv1.NewPostingsQueryServiceClient, accessv1.RegisterPostingsQueryServiceHandlerClient),
	// The mapping asks the last first; "engines/{engine}" here would take the verbs of other services' "engines/{engine}:advise".
	served(compliancev1.NewComplianceServiceClient, compliancev1.RegisterComplianceServiceHandlerClient),
	served(compliancev1.NewComplianceQueryServiceClient, compliancev1.RegisterComplianceQueryServiceHandlerClient),
	served(compliancev1.NewGateServiceClient, compliancev1.RegisterGateServiceHandlerClient),
	served(compliancev1.NewPlanningServiceClient, compliancev1.RegisterPlanningServiceHandlerClient),
	served(compliancev1.NewCalendarServiceClient, compliancev1.RegisterCalendarServiceHandlerClient),
	served(compliancev1.NewVisitsServiceClient, compliancev1.RegisterVisitsServiceHandlerClient),
	served(compliancev1.NewExchangeServiceClient, compliancev1.RegisterExchangeServiceHandlerClient),
	served(compliancev1.NewRecordPackServiceClient, compliancev1.RegisterRecordPackServiceHandlerClient),
	served(compliancev1.NewOwnerRecordServiceClient, compliancev1.RegisterOwnerRecordServiceHandlerClient),
	served(consumablesv1.NewConsumablesServiceClient, consumablesv1.RegisterConsumablesServiceHandlerClient),
	served(consumablesv1.NewConsumablesQueryServiceClient, consumablesv1.RegisterConsumablesQueryServiceHandlerClient),
	served(consumablesv1.NewScanningQueryServiceClient, consumablesv1.RegisterScanningQueryServiceHandlerClient),
	served(consumablesv1.NewWaterServiceClient, consumablesv1.RegisterWaterServiceHandlerClient),
	served(consumablesv1.NewWaterQueryServiceClient, consumablesv1.RegisterWaterQueryServiceHandlerClient),
	served(consumablesv1.NewRecipeServiceClient, consumablesv1.RegisterRecipeServiceHandlerClient),
	served(consumablesv1.NewRecipeQueryServiceClient, consumablesv1.RegisterRecipeQueryServiceHandlerClient),
	served(workordersv1.NewWorkOrdersServiceClient, workordersv1.RegisterWorkOrdersServiceHandlerClient),
	served(workordersv1.NewWorkOrdersQueryServiceClient, workordersv1.RegisterWorkOrdersQueryServiceHandlerClient),
	served(performancev1.NewExceedanceServiceClient, performancev1.RegisterExceedanceServiceHandlerClient), // whose "engineExceedances/*" would take the verb of the queries
	served(performancev1.NewPerformanceServiceClient, performancev1.RegisterPerformanceServiceHandlerClient),
	served(performancev1.NewPerformanceQueryServiceClient, performancev1.RegisterPerformanceQueryServiceHandlerClient),
	served(performancev1.NewPerformanceCalculationServiceClient, performancev1.RegisterPerformanceCalculationServiceHandlerClient),
	served(performancev1.NewReadingsServiceClient, performancev1.RegisterReadingsServiceHandlerClient),
	served(performancev1.NewBaselineServiceClient, performancev1.RegisterBaselineServiceHandlerClient),
	served(operationsv1.NewOperationsServiceClient, operationsv1.RegisterOperationsServiceHandlerClient),
	served(operationsv1.NewParkedFactsServiceClient, operationsv1.RegisterParkedFactsServiceHandlerClient),
	served(operationsv1.NewRecordChainsServiceClient, operationsv1.RegisterRecordChainsServiceHandlerClient),
}

// Refused is told of requests whose token is not valid, for the audit, and says what they are answered.
type Refused func(r *http.Request, err error) error

// Handler serves the contract over HTTP; conn reaches the gateway's own gRPC server.
func Handler(ctx context.Context, conn grpc.ClientConnInterface, identify Identify, refused Refused) (http.Handler, error) {
	plain := &runtime.JSONPb{MarshalOptions: protojson.MarshalOptions{EmitDefaultValues: true}}
	known := reader{routesOf()}
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, files{plain}),
		runtime.WithMarshalerOption("application/json", plain),
		runtime.WithMarshalerOption(feed.BatchType, batch{plain}),
		runtime.WithIncomingHeaderMatcher(headers),
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithErrorHandler(known.refuseCall),
		runtime.WithRoutingErrorHandler(known.refuseRoute),
		runtime.WithMiddlewares(strict(known.routes)),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithForwardResponseOption(etag),
		runtime.WithForwardResponseOption(replayed),
		runtime.WithForwardResponseOption(nextCursor),
		runtime.WithForwardResponseOption(cookie),
		runtime.WithForwardResponseOption(fileHeaders),
		runtime.WithForwardResponseOption(partCursor),
	)
	for _, register := range registrations {
		if err := register(ctx, mux, conn); err != nil {
			return nil, err
		}
	}
	return &door{next: headed{whole{mux}}, identify: identify, refused: refused}, nil
}

func (t reader) refuseCall(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	p := ProblemOf(t.reword(r, err))
	if p.Reason == "ETAG_MISMATCH" && r.Header.Get("If-Match") != "" {
		p.Status = http.StatusPreconditionFailed // the header is HTTP's own condition; the etag of a body is the request's
	}
	p.send(w)
}

// etag shows a resource's etag as the HTTP header, quoted. A strong entity tag is that of one representation (RFC 9110 section 8.8.1), so it
// names the units too in which amounts stand a second time: a cache never takes those of before a change of units for those of after it.
func etag(ctx context.Context, w http.ResponseWriter, m proto.Message) error {
	e := resource.Etag(m)
	if e == "" {
		return nil
	}
	if answer, ok := runtime.ServerMetadataFromContext(ctx); ok {
		for _, system := range answer.HeaderMD.Get(units.Key) {
			e += unitsMark + system
		}
	}
	w.Header().Set("ETag", `"`+e+`"`)
	return nil
}

// replayedHeader says that an answer was given before to the same key.
const replayedHeader = "Idempotency-Replayed"

// replayed marks an answer that was given before, so that a client can tell a change of now from one of before.
func replayed(ctx context.Context, w http.ResponseWriter, _ proto.Message) error {
	if answer, ok := runtime.ServerMetadataFromContext(ctx); ok && len(answer.HeaderMD.Get(idempotency.ReplayedKey)) > 0 {
		w.Header().Set(replayedHeader, "true")
	}
	return nil
}

// unitsMark stands between a version and the system of units in an entity tag.
const unitsMark = "-"

// VersionOf is the version in an entity tag: what it says of units is no part of what a change rests on.
func VersionOf(tag string) string {
	for _, system := range []quantity.System{quantity.SI, quantity.US} {
		tag = strings.TrimSuffix(tag, unitsMark+string(system))
	}
	return tag
}

// cookie gives a browser that signed in the session's token where its scripts can't read it. It lives as long as the browser,
// so that the next person at a shared one starts anew; the server ends the session at its own time.
func cookie(ctx context.Context, w http.ResponseWriter, m proto.Message) error {
	switch m := m.(type) {
	case *accessv1.Session:
		if m.GetToken() != "" {
			secure, _ := ctx.Value(secured{}).(bool)
			http.SetCookie(w, SessionCookie(m.GetToken(), secure))
		}
	case *accessv1.SignOutResponse:
		gone := &http.Cookie{ //nolint:gosec // it carries nothing
			Name: CookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		}
		http.SetCookie(w, gone)
	}
	return nil
}

// secured marks requests that came over TLS.
type secured struct{}

// SessionCookie carries a session's token where a page's scripts can't read it; secure keeps it to https.
func SessionCookie(token string, secure bool) *http.Cookie {
	return &http.Cookie{ //nolint:gosec // served on loopback without TLS too; a proxy that ends TLS adds Secure
		Name: CookieName, Value: token, Path: "/", HttpOnly: true, Secure: secure, SameSite: http.SameSiteStrictMode,
	}
}

// ended carries why a browser's cookie is no caller any more.
type ended struct{}

// Ended is why the cookie of a request is no caller any more; nil when it is, or there is none.
func Ended(ctx context.Context) error {
	err, _ := ctx.Value(ended{}).(error)
	return err
}

// door finds out who calls.
type door struct {
	next     http.Handler
	identify Identify
	refused  Refused
}

// ServeHTTP serves one request.
func (d *door) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	r = asGet(r)
	w = conditional(w, r)
	for _, named := range []string{"Authorization", "Cookie", units.Header} { // who calls decides on what is seen, and in which units
		w.Header().Add("Vary", named)
	}
	r.Header.Set("Accept", accepted(r.Header.Get("Accept")))
	ctx, cancel := context.WithTimeout(context.WithValue(r.Context(), secured{}, r.TLS != nil), timeOf(r)) // of all that the call needs, who calls too
	defer cancel()
	r = r.WithContext(ctx)
	token, byCookie := credentials(r)
	if token == "" {
		d.next.ServeHTTP(w, r)
		return
	}
	id, csrf, err := d.identify(r.Context(), token)
	switch {
	case err != nil && byCookie: // an old cookie is no caller, so that signing in again works
		d.next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), ended{}, err)))
	case err != nil:
		Refuse(w, d.refused(r, err))
	case byCookie && r.Method != http.MethodGet && subtle.ConstantTimeCompare([]byte(csrf), []byte(r.Header.Get(csrfHeader))) != 1:
		Refuse(w, fault.Denied("CSRF_TOKEN_MISSING",
			"A browser must send the session's token in X-CSRF-Token with every change. Reload the page."))
	default:
		d.next.ServeHTTP(w, r.WithContext(auth.NewContext(r.Context(), id)))
	}
}

// timeOf is how long a request may take: as its caller says, or the time of a call without a deadline. What can't be read the mapping refuses.
func timeOf(r *http.Request) time.Duration {
	each := map[byte]time.Duration{'H': time.Hour, 'M': time.Minute, 'S': time.Second, 'm': time.Millisecond, 'u': time.Microsecond, 'n': time.Nanosecond}
	const (
		mostDigits = 8 // gRPC's
		longest    = 10 * time.Minute
	)
	asked := r.Header.Get("Grpc-Timeout")
	if len(asked) < 2 || len(asked) > mostDigits+1 || each[asked[len(asked)-1]] == 0 {
		return rpc.DefaultDeadline
	}
	n, err := strconv.ParseUint(asked[:len(asked)-1], 10, 32)
	unit := each[asked[len(asked)-1]]
	switch {
	case err != nil:
		return rpc.DefaultDeadline
	case n > uint64(longest/unit):
		return longest
	default:
		return time.Duration(n) * unit
	}
}

func credentials(r *http.Request) (token string, byCookie bool) {
	if token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		return token, false
	}
	if c, err := r.Cookie(CookieName); err == nil {
		return c.Value, true
	}
	return "", false
}
