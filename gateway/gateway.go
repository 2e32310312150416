// Package gateway is the suite's door: it knows who calls, serves the whole contract over gRPC and over HTTP, and has the
// change feed.
//
// It owns accounts, sessions, API keys and the audit of calls. Every other call is made on the caller's behalf to the
// service that owns it; which role may do what is decided there. A call is told apart by a bearer token, of a session or
// an API key, or by the console's cookie.
package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/reflection"

	"coldsection.example/gateway/internal/access"
	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/gateway/internal/audit"
	"coldsection.example/gateway/internal/console"
	"coldsection.example/gateway/internal/feed"
	"coldsection.example/gateway/internal/limits"
	"coldsection.example/gateway/internal/openapi"
	"coldsection.example/gateway/internal/operations"
	"coldsection.example/gateway/internal/postings"
	"coldsection.example/gateway/internal/proxy"
	"coldsection.example/gateway/internal/rest"
	"coldsection.example/gateway/internal/webhooks"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Config says where the gateway keeps its accounts.
type Config struct {
	Storage    storage.Config
	Reflection bool   // lets gRPC clients that are not signed in ask for the contract
	AuditSpool string // the file in which lines of the audit wait while the store can't take them; empty keeps them in memory only
	// WebhookAllow are the networks that messages may be sent to although they are private, also over http.
	WebhookAllow []netip.Prefix
	// Certificate is shown to gRPC callers from other machines; nil serves them in the clear.
	Certificate *peers.Identity
	// SecondFactorRoles are the roles that need a second factor when their holders sign in by password.
	SecondFactorRoles []string
	// SessionIdle is how long a session lives that nobody uses; 0 is its whole life, which ends after 12 h.
	SessionIdle time.Duration
	// Limits are how many calls one caller may make.
	Limits Limits
	// Bodies are how long the body of a request over HTTP may take.
	Bodies rest.BodyLimits
	// Provider is the OpenID Connect provider whose users may sign in; without an issuer there is none.
	Provider Provider
}

// Deps is what the gateway needs.
type Deps struct {
	Clock  clock.Clock
	IDs    ids.Source
	Log    *slog.Logger
	Keys   *auth.Keys
	Lister *listing.Lister
	Events feed.Source // the event bus
	// Backends reach the owners of the contract's packages, such as "coldsection.consumables.v1".
	Backends map[string]grpc.ClientConnInterface
}

// Gateway is the door.
type Gateway struct {
	store  *accounts.Store
	server *rpc.Server
	deps   Deps
	self   rpc.Memory // the gateway's own server, for HTTP
	hooks  *webhooks.Store
	sender *webhooks.Worker

	spool       string
	connections *limits.Connections
	bodies      rest.BodyLimits
	doorman     *doorman
	reflection  bool
	ending      chan struct{} // closed by Drain
	browsers    *browsers     // nil where people sign in by password only
}

// OpenStore opens the gateway's database alone, for a process that serves nobody.
func OpenStore(ctx context.Context, cfg storage.Config) (*storage.DB, error) {
	return storage.Open(ctx, cfg, accounts.Migrations())
}

// New opens the gateway's database and registers every service of the contract.
func New(ctx context.Context, cfg Config, deps Deps) (*Gateway, error) {
	db, err := OpenStore(ctx, cfg.Storage)
	if err != nil {
		return nil, fmt.Errorf("gateway: %w", err)
	}
	g := &Gateway{ending: make(chan struct{}), deps: deps, reflection: cfg.Reflection, spool: cfg.AuditSpool, bodies: cfg.Bodies}
	g.connections = &limits.Connections{OfAddress: cfg.Limits.Connections, Proxies: cfg.Limits.Proxies}
	g.store = &accounts.Store{DB: db, Clock: deps.Clock, IDs: deps.IDs, Keys: deps.Keys, SecondFactorRoles: cfg.SecondFactorRoles, IdleLife: cfg.SessionIdle, Log: deps.Log}
	g.hooks = &webhooks.Store{
		DB: db, Clock: deps.Clock, IDs: deps.IDs, Keys: deps.Keys, Feed: deps.Events, Guard: webhooks.Guard{Allowed: cfg.WebhookAllow},
		Answers: access.Answers{Store: g.store},
	}
	g.sender, err = webhooks.NewWorker(g.hooks, deps.Log)
	if err == nil {
		g.browsers, err = newBrowsers(cfg.Provider, g)
	}
	if err == nil {
		err = g.register(cfg.Certificate, cfg.Limits)
	}
	if err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("gateway: %w", err)
	}
	return g, nil
}

func (g *Gateway) register(certificate *peers.Identity, limited Limits) error {
	d := g.deps
	var options []grpc.ServerOption
	if certificate != nil {
		options = append(options, grpc.Creds(certificate.ServePublic()))
	}
	doorman := &doorman{store: g.store, clock: d.Clock, proxies: limited.Proxies, streams: limits.NewStreams(), working: limits.NewCalls(limited.CallsAtOnce)}
	doorman.calls, doorman.strangers = limits.New(d.Clock, limited.CallsPerSecond), limits.New(d.Clock, limited.StrangersPerSecond)
	doorman.audit = &audit.Log{DB: g.store.DB, Clock: d.Clock, IDs: d.IDs, Log: d.Log, Spool: g.spool}
	work := &limits.Work{Calls: doorman.working, Proxies: limited.Proxies, Known: func(method string) bool { return g.server.Serves(method) }, Expel: g.connections.Expel, IDs: d.IDs}
	options = append(options, work.Options()...)
	var err error
	g.server, err = rpc.NewServer(rpc.Deps{
		Clock: d.Clock, IDs: d.IDs, Log: d.Log, Keys: d.Keys, Unary: doorman.unary, Stream: doorman.stream,
	}, options...)
	if err != nil {
		return err
	}
	doorman.assertion, doorman.authorise = g.server.Identify, g.server.Authorise
	g.doorman = doorman
	access.Register(g.server, &access.Server{Store: g.store, Lister: d.Lister, Audit: doorman.audit}, &access.Sessions{
		Store: g.store, Keys: d.Keys, Address: doorman.address, Ways: g.browsers.ways(),
	}, &access.Events{Feed: d.Events, Clock: d.Clock, Ending: g.ending})
	(&access.Webhooks{Store: g.hooks, Worker: g.sender, Lister: d.Lister}).Register(g.server)
	(&access.Postings{
		Store: &postings.Store{DB: g.store.DB, Clock: d.Clock, IDs: d.IDs, Feed: d.Events}, Lister: d.Lister,
	}).Register(g.server)
	(&access.BreakGlass{Store: g.store, Lister: d.Lister}).Register(g.server)
	for _, pkg := range slices.Sorted(maps.Keys(d.Backends)) {
		if err := proxy.Register(g.server, pkg, d.Backends[pkg]); err != nil {
			return err
		}
	}
	operations.Register(g.server, operations.Deps{Backends: d.Backends, Keys: d.Keys, Clock: d.Clock})
	if g.reflection {
		reflection.Register(registrar{g.server})
	}
	g.self = rpc.Caller{Keys: d.Keys, Clock: d.Clock, Patience: rpc.DefaultDeadline}.Memory(g.server)
	return nil
}

// registrar registers gRPC's own services, which anybody may call.
type registrar struct{ *rpc.Server }

// RegisterService adds a service without a policy of its own.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	policy := auth.Policy{}
	for _, m := range desc.Streams {
		policy.For(desc.ServiceName, []string{auth.Anyone}, m.StreamName)
	}
	r.Register(desc, impl, policy)
}

// GetServiceInfo lists what is served.
func (r registrar) GetServiceInfo() map[string]grpc.ServiceInfo { return r.GRPC().GetServiceInfo() }

// GRPC is the public gRPC server, to be served by the suite on a port.
func (g *Gateway) GRPC() *rpc.Server { return g.server }

// Bound bounds the connections that a listener of the gateway accepts.
func (g *Gateway) Bound(l net.Listener) net.Listener { return g.connections.Listen(l) }

// HTTP serves the contract under /v1/, a page for each reason under /problems/ and the console beside them.
func (g *Gateway) HTTP(ctx context.Context) (http.Handler, error) {
	api, err := rest.Handler(ctx, g.self, g.store.Identify, g.refuse)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", api)
	mux.Handle("/v1", api) // without the redirection of the multiplexer
	mux.Handle("GET /problems/", rest.Pages())
	mux.Handle("/", console.Handler(api))
	g.browsers.routes(mux)
	mux.HandleFunc("POST "+tokenPath, g.token)
	return g.numbered(rest.Steady(g.doorman.addressed(g.doorman.bounded(attended(g.dated(rest.Exact(api, mux))))), g.bodies)), errors.Join(openapi.Register(mux), g.openAgentDoor(mux))
}

// dated says the suite's time with every answer (RFC 9110 section 6.6.1), so that a browser whose own clock is wrong counts down to the
// instants that the suite names.
func (g *Gateway) dated(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Date", g.deps.Clock.Now().UTC().Format(http.TimeFormat))
		next.ServeHTTP(w, r)
	})
}

// refuse writes down a request over HTTP that is refused at the door, and says why.
func (g *Gateway) refuse(r *http.Request, err error) error {
	err = g.doorman.judged(r.Context(), err)
	g.doorman.refused(r.Context(), "HTTP "+r.Method, shortened(r.URL.Path), rpc.ToStatus(err))
	return err
}

// shortened is a path that may be kept.
func shortened(path string) string {
	const most = 200
	return strings.ToValidUTF8(path[:min(len(path), most)], "")
}

// FirstAdmin makes the one-time token of the first administrator; "" once somebody can sign in.
func (g *Gateway) FirstAdmin(ctx context.Context) (string, error) { return g.store.FirstAdmin(ctx) }

// DB is the gateway's database.
func (g *Gateway) DB() *storage.DB { return g.store.DB }

// Ready says whether the gateway can serve.
func (g *Gateway) Ready(ctx context.Context) error { return g.store.DB.Ping(ctx) }

// Drain answers everybody who waits for facts and ends their streams, each with the place to go on from, so that nobody holds up the end of this
// instance. It may be called once.
func (g *Gateway) Drain() { close(g.ending) }

// Close writes what the audit still has to say and ends the gateway's connections.
func (g *Gateway) Close() error {
	return errors.Join(g.doorman.audit.Close(context.Background()), g.store.DB.Close())
}
