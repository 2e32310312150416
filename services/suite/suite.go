package suite

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"

	"google.golang.org/grpc"

	"coldsection.example/gateway"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/chains"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/lifecycle"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/parking"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/telemetry"
)

// Suite is a running process.
type Suite struct {
	cfg    Config
	log    *slog.Logger
	life   *lifecycle.Life
	clock  clock.Clock
	ids    ids.Source
	keys   *auth.Keys
	lister *listing.Lister
	buses  map[string]*eventbus.Bus // the event stream as each part of this process may use it

	addresses map[string]string // where parts are reached
	listen    map[string]string // where parts of this process are served
	servers   map[string]*rpc.Server
	services  map[string]service
	gateway   *gateway.Gateway
	door      *door
	peer      *peers.Identity      // who this process is to the others; nil without TLS between processes
	public    *peers.Identity      // the certificate that the gateway shows; nil without TLS
	telemetry *telemetry.Telemetry // nil when nobody reads it
	admin     string               // the admin address in use
}

// Start brings the configured parts up; when it returns they serve.
func Start(ctx context.Context, cfg Config, log *slog.Logger) (*Suite, error) {
	return begin(ctx, cfg, log, "")
}

// begin starts the modules that come before one of them, or all.
func begin(ctx context.Context, cfg Config, log *slog.Logger, before string) (*Suite, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	s := &Suite{cfg: cfg, log: log, life: lifecycle.New(ctx, log), ids: ids.System(), servers: map[string]*rpc.Server{}, services: map[string]service{}}
	modules := s.modules()
	if end := slices.IndexFunc(modules, func(m lifecycle.Module) bool { return m.Name == before }); end >= 0 {
		modules = modules[:end]
	}
	if err := s.life.Start(ctx, modules...); err != nil {
		return nil, err
	}
	return s, nil
}

// modules are what a process is made of, in the order in which they start.
func (s *Suite) modules() []lifecycle.Module {
	return []lifecycle.Module{
		{Name: "telemetry", Start: s.openTelemetry},
		{Name: "shared", Start: s.openShared},
		{Name: "events", Needs: []string{"shared"}, Start: s.openEvents},
		{Name: "services", Needs: []string{"shared", "events"}, Start: s.openServices},
		{Name: place, Needs: []string{"services", "events"}, Start: s.inPlace},
		{Name: "servers", Needs: []string{place}, Start: s.serveServices},
		{Name: "work", Needs: []string{"servers", "events"}, Start: s.startWork},
		{Name: Gateway, Needs: []string{"servers", "events"}, Start: s.openGateway},
		{Name: "admin", Needs: []string{"telemetry", Gateway}, Start: s.openAdmin},
	}
}

// Stop ends everything in the reverse order of Start; a second call does nothing.
func (s *Suite) Stop() { s.life.Stop() }

// Wait returns when ctx ends, with nil, or when a part fails, with its error.
func (s *Suite) Wait(ctx context.Context) error { return s.life.Wait(ctx) }

// openShared opens what all parts use.
func (s *Suite) openShared(context.Context) error {
	if err := s.cfg.prepare(); err != nil {
		return err
	}
	var err error
	if s.addresses, err = byPart(s.cfg.Addresses); err != nil {
		return err
	}
	if s.listen, err = byPart(s.cfg.Listen); err != nil {
		return err
	}
	if s.clock, err = s.cfg.clock(); err != nil {
		return err
	}
	if err := s.openTLS(); err != nil {
		return err
	}
	if s.cfg.ClockFile != "" {
		s.log.Warn("the clock follows a file; use this for demonstrations and tests only", "file", s.cfg.ClockFile)
	}
	path, create := s.cfg.secretFile()
	if s.keys, err = auth.LoadKeys(path, create); err != nil {
		return err
	}
	s.warnOfReaders(path)
	s.lister = listing.From(s.clock, func() [][]byte { return s.keys.Derive("page tokens") })
	return nil
}

// warnOfReaders tells those who keep watch of a secret that every account of the machine may read: whoever has it is any part of the suite.
func (s *Suite) warnOfReaders(secret string) {
	if info, err := os.Stat(secret); err == nil && info.Mode().Perm()&0o007 != 0 && !closed(secret) {
		s.log.Warn("everybody on this machine may read the internal secret; take that away with chmod o=, and replace the secret if others may have read it",
			"file", secret, "mode", info.Mode().Perm().String())
	}
}

// closed says whether a file is in a folder that only its owner and group may enter, as a state folder is, so that nobody else reads what is in it.
func closed(file string) bool {
	target, err := filepath.EvalSymlinks(file)
	if err != nil {
		return false
	}
	folder, err := os.Stat(filepath.Dir(target))
	return err == nil && folder.Mode().Perm()&0o001 == 0
}

func (s *Suite) openEvents(ctx context.Context) (err error) {
	cfg := s.cfg.bus(s.busTLS())
	cfg.Rights, cfg.Log = rights, s.log
	if cfg.URL != "" && s.cfg.EventKeys == "" {
		s.log.WarnContext(ctx, "the event servers know no rights of parts; make keys with event-keys and give event-keys")
	}
	var end func()
	if s.buses, end, err = eventbus.OpenFor(ctx, cfg, s.cfg.EventKeys, slices.DeleteFunc(slices.Clone(Parts), func(p string) bool { return !s.cfg.runs(p) })...); err != nil {
		return err
	}
	s.life.OnStop("events", func(context.Context) error { end(); return nil })
	return nil
}

// caller makes the connections of a part; the gateway has no account of its own, so that nobody stays nobody.
func (s *Suite) caller(part string) rpc.Caller {
	c := rpc.Caller{Keys: s.keys, Clock: s.clock, As: part}
	if part == Gateway {
		c.As = ""
	}
	return c
}

// connect returns how a part reaches others.
func (s *Suite) connect(from string) connector {
	return func(to string) (grpc.ClientConnInterface, error) {
		if !slices.Contains(callers[to], from) {
			return nil, fmt.Errorf("%s calls %s, which the table of callers does not let it", from, to)
		}
		c := s.caller(from)
		if server := s.servers[to]; server != nil {
			return c.Memory(server), nil
		}
		c.Credentials = s.credentials(to)
		conn, err := c.Dial(s.addresses[to])
		if err != nil {
			return nil, fmt.Errorf("connecting %s to %s: %w", from, to, err)
		}
		s.life.OnStop("connection from "+from+" to "+to, func(context.Context) error { return conn.Close() })
		return conn, nil
	}
}

// local are the services that this process runs, in the order of their start.
func (s *Suite) local() []string {
	return slices.DeleteFunc(slices.Clone(Parts), func(p string) bool { return constructors[p] == nil || !s.cfg.runs(p) })
}

func (s *Suite) openServices(ctx context.Context) error {
	for _, part := range s.local() {
		options, names := s.guard(part)
		server, err := rpc.NewServer(rpc.Deps{Clock: s.clock, IDs: s.ids, Log: s.log.With("part", part), Keys: s.keys, Peers: names}, options...)
		if err != nil {
			return err
		}
		s.servers[part] = server
	}
	for _, part := range s.local() {
		if err := s.ensureDatabase(ctx, part); err != nil {
			return fmt.Errorf("%s: %w", part, err)
		}
		store, err := s.cfg.storage(part)
		if err != nil {
			return err
		}
		service, err := constructors[part](ctx, s, store, s.connect(part))
		if err != nil {
			return fmt.Errorf("%s: %w", part, err)
		}
		s.life.OnStop(part, func(context.Context) error { return service.Close() })
		s.services[part] = service
		service.Register(s.servers[part])
		for _, consumer := range service.Consumers() {
			parking.Register(s.servers[part], parking.Deps{DB: service.DB(), Clock: s.clock, Lister: s.lister, Consumer: consumer})
		}
		if part != Gateway {
			chains.Register(s.servers[part], chains.Deps{DB: service.DB(), Clock: s.clock, Lister: s.lister, Service: part})
		}
	}
	return nil
}

// serveServices serves every service that has an address on the network.
func (s *Suite) serveServices(ctx context.Context) error {
	for _, part := range s.local() {
		if err := s.serve(ctx, part, s.servers[part], s.listen[part]); err != nil {
			return err
		}
	}
	return nil
}

// serve runs a server until Stop.
func (s *Suite) serve(ctx context.Context, part string, server *rpc.Server, address string) error {
	if err := server.Check(); err != nil {
		return err
	}
	if address != "" {
		listener, err := listen(ctx, address)
		if err != nil {
			return fmt.Errorf("%s: %w", part, err)
		}
		s.log.Info("serving gRPC", "part", part, "address", listener.Addr().String())
		s.life.Go(part, func(context.Context) error { return served(server.Serve(listener)) })
	}
	s.life.OnStop("server of "+part, func(ctx context.Context) error { server.Stop(ctx); return nil })
	return nil
}

// served is the outcome of serving: being stopped is none.
func served(err error) error {
	if errors.Is(err, grpc.ErrServerStopped) {
		return nil
	}
	return err
}
