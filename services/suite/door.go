package suite

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"

	"go.opentelemetry.io/contrib/instrumentation/net/http/otelhttp"
	"google.golang.org/grpc"

	"coldsection.example/gateway"
	"coldsection.example/services/platform/peers"
)

// Where the gateway listens unless told otherwise.
const (
	defaultHTTP = "127.0.0.1:8080"
	defaultGRPC = "127.0.0.1:8081"
)

// door is where the outside comes in.
type door struct {
	http, grpc string // the addresses in use
	firstAdmin string // the one-time token of the first administrator
}

func (s *Suite) openGateway(ctx context.Context) error {
	if !s.cfg.runs(Gateway) {
		return nil
	}
	if err := s.ensureDatabase(ctx, Gateway); err != nil {
		return fmt.Errorf("gateway: %w", err)
	}
	store, err := s.cfg.storage(Gateway)
	if err != nil {
		return err
	}
	backends := map[string]grpc.ClientConnInterface{}
	for part, pkg := range packages {
		if backends[pkg], err = s.connect(Gateway)(part); err != nil {
			return err
		}
	}
	allowed, err := gateway.ParseNetworks(s.cfg.WebhookAllow)
	if err != nil {
		return err
	}
	proxies, err := gateway.ParseNetworks(s.cfg.TrustedProxies)
	if err != nil {
		return err
	}
	provider, err := s.cfg.provider(true)
	if err != nil {
		return err
	}
	s.gateway, err = gateway.New(ctx, gateway.Config{
		Storage: store, Reflection: s.cfg.Reflection, WebhookAllow: allowed, Provider: provider, SecondFactorRoles: s.cfg.SecondFactorRoles, SessionIdle: s.cfg.SessionIdle, Certificate: s.public,
		AuditSpool: filepath.Join(s.cfg.StateDir, "audit-waiting"),
		Limits: gateway.Limits{
			CallsPerSecond: s.cfg.CallsPerSecond, StrangersPerSecond: s.cfg.StrangersPerSecond, CallsAtOnce: s.cfg.CallsAtOnce, Connections: s.cfg.Connections, Proxies: proxies,
		},
	}, gateway.Deps{
		Clock: s.clock, IDs: s.ids, Log: s.log.With("part", Gateway), Keys: s.keys, Lister: s.lister, Events: s.buses[Gateway], Backends: backends,
	})
	if err != nil {
		return err
	}
	s.life.OnStop(Gateway, func(context.Context) error { return s.gateway.Close() })
	if err := s.gateway.Reseal(ctx); err != nil {
		s.log.ErrorContext(ctx, "a sealed secret can't be read; give the internal secret that it was sealed under as a further line of the file", "error", err)
	}
	s.startGatewayWork(ctx)
	return s.openDoor(ctx)
}

func (s *Suite) openDoor(ctx context.Context) error {
	s.door = &door{}
	var err error
	if s.door.firstAdmin, err = s.gateway.FirstAdmin(ctx); err != nil {
		return err
	}
	rpcListener, err := listen(ctx, orDefault(s.cfg.GRPC, defaultGRPC))
	if err != nil {
		return err
	}
	s.door.grpc = rpcListener.Addr().String()
	if err := s.serve(ctx, Gateway, s.gateway.GRPC(), ""); err != nil {
		return err
	}
	s.life.Go(Gateway, func(context.Context) error { return served(s.gateway.GRPC().Serve(s.gateway.Bound(rpcListener))) })
	return s.openHTTP(ctx)
}

func (s *Suite) openHTTP(ctx context.Context) error {
	api, err := s.gateway.HTTP(ctx)
	if err != nil {
		return err
	}
	listener, err := listen(ctx, orDefault(s.cfg.HTTP, defaultHTTP))
	if err != nil {
		return err
	}
	s.door.http = listener.Addr().String()
	s.serveHTTP(Gateway, s.gateway.Bound(listener), s.withHealth(otelhttp.NewHandler(api, "HTTP")), s.public)
	s.life.OnStop("who waits at "+Gateway, func(context.Context) error { s.gateway.Drain(); return nil })
	return nil
}

// withHealth adds what a supervisor asks: whether the process lives, and whether it can serve. Every other path is the handler's as it was asked for:
// a multiplexer before it would send whoever doubles a slash elsewhere.
func (s *Suite) withHealth(handler http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ready := r.URL.Path == "/readyz"
		if !ready && r.URL.Path != "/livez" || r.Method != http.MethodGet && r.Method != http.MethodHead {
			handler.ServeHTTP(w, r)
			return
		}
		if ready {
			if err := s.Ready(r.Context()); err != nil {
				http.Error(w, err.Error(), http.StatusServiceUnavailable)
				return
			}
		}
		w.WriteHeader(http.StatusNoContent)
	})
}

// serveHTTP serves a handler until Stop, over TLS when there is a certificate.
func (s *Suite) serveHTTP(name string, listener net.Listener, handler http.Handler, certificate *peers.Identity) {
	server := httpLimits{}.server(handler)
	run := server.Serve
	if certificate != nil {
		server.TLSConfig = certificate.Public()
		run = func(l net.Listener) error { return server.ServeTLS(l, "", "") }
	}
	s.life.Go(name, func(context.Context) error {
		if err := run(listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	s.life.OnStop("HTTP of "+name, func(ctx context.Context) error {
		if server.Shutdown(ctx) != nil {
			return server.Close()
		}
		return nil
	})
}

// Ready says what keeps this process from serving; nil when nothing does.
func (s *Suite) Ready(ctx context.Context) error {
	errs := []error{s.eventsReady(ctx)}
	for part, service := range s.services {
		if err := service.DB().Ping(ctx); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", part, err))
		}
	}
	if s.gateway != nil {
		errs = append(errs, s.gateway.Ready(ctx))
	}
	return errors.Join(errs...)
}

// HTTPAddress is where the gateway serves HTTP; empty when it runs elsewhere.
func (s *Suite) HTTPAddress() string {
	if s.door == nil {
		return ""
	}
	return s.door.http
}

// url is where browsers on this machine reach the gateway.
func (s *Suite) url() string {
	if s.public != nil {
		return "https://" + s.HTTPAddress()
	}
	return "http://" + s.HTTPAddress()
}

// GRPCAddress is where the gateway serves gRPC; empty when it runs elsewhere.
func (s *Suite) GRPCAddress() string {
	if s.door == nil {
		return ""
	}
	return s.door.grpc
}

// FirstAdminToken is the one-time token of the first administrator; empty once it was used.
func (s *Suite) FirstAdminToken() string {
	if s.door == nil {
		return ""
	}
	return s.door.firstAdmin
}

func listen(ctx context.Context, address string) (net.Listener, error) {
	return (&net.ListenConfig{}).Listen(ctx, "tcp", address)
}

func orDefault(value, fallback string) string {
	if value == "" {
		return fallback
	}
	return value
}

// eventsReady says whether every part of this process reaches the event stream.
func (s *Suite) eventsReady(ctx context.Context) error {
	for _, bus := range s.buses {
		if err := bus.Ready(ctx); err != nil {
			return err
		}
	}
	return nil
}
