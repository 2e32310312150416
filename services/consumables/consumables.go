package consumables

import (
	"context"

	"google.golang.org/grpc"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/events"
	"coldsection.example/services/consumables/internal/server"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
)

// Config is the service's configuration.
type Config struct {
	Storage storage.Config
}

// Deps is what the service needs from outside.
type Deps struct {
	Clock      clock.Clock
	IDs        ids.Source
	Lister     *listing.Lister
	Keys       *auth.Keys
	Compliance grpc.ClientConnInterface
}

// Service is the running stock service.
type Service struct {
	app *app.App
	db  *storage.DB
}

// New opens the database and brings its schema up to date.
func New(ctx context.Context, cfg Config, deps Deps) (*Service, error) {
	db, err := storage.Open(ctx, cfg.Storage, store.Migrations())
	if err != nil {
		return nil, err
	}
	gates := gates{compliancev1.NewGateServiceClient(deps.Compliance)}
	return &Service{db: db, app: &app.App{DB: db, Clock: deps.Clock, IDs: deps.IDs, Lister: deps.Lister, Gates: gates, Keys: deps.Keys}}, nil
}

// gates asks compliance on the service's own account, because a clerk may not ask the gates.
type gates struct {
	client compliancev1.GateServiceClient
}

func (g gates) CheckGates(ctx context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error) {
	return g.client.CheckGates(rpc.AsService(ctx, "consumables"), req)
}

// Register adds the service's RPCs.
func (s *Service) Register(r rpc.Registrar) { server.Register(r, s.app) }

// Consumers are the service's subscriptions.
func (s *Service) Consumers() []eventbus.Consumer { return []eventbus.Consumer{events.Consumer(s.app)} }

// Sweep marks lots whose life ended; the suite calls it now and then.
func (s *Service) Sweep(ctx context.Context) error { return s.app.Sweep(ctx) }

// DB is the service's database, on which the suite runs the relay and the consumers.
func (s *Service) DB() *storage.DB { return s.db }

// Close closes the database.
func (s *Service) Close() error { return s.db.Close() }
