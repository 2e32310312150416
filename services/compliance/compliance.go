package compliance

import (
	"context"
	"log/slog"

	"google.golang.org/grpc"

	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/events"
	"coldsection.example/services/compliance/internal/server"
	"coldsection.example/services/compliance/internal/store"
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
	Clock  clock.Clock
	IDs    ids.Source
	Lister *listing.Lister
	Keys   *auth.Keys
	Log    *slog.Logger

	// WorkOrders and Consumables are asked what is there for a visit.
	WorkOrders, Consumables grpc.ClientConnInterface
}

// Service is the running compliance service.
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
	a := &app.App{
		DB: db, Clock: deps.Clock, IDs: deps.IDs, Lister: deps.Lister, Keys: deps.Keys,
		Neighbours: app.Neighbours{WorkOrders: deps.WorkOrders, Consumables: deps.Consumables},
		Judge:      server.Judge,
	}
	a.OpenOperations(deps.Log)
	return &Service{db: db, app: a}, nil
}

// Register adds the service's RPCs.
func (s *Service) Register(r rpc.Registrar) { server.Register(r, s.app) }

// Consumers are the service's subscriptions.
func (s *Service) Consumers() []eventbus.Consumer { return []eventbus.Consumer{events.Consumer(s.app)} }

// Work works the service's long-running operations until ctx ends.
func (s *Service) Work(ctx context.Context) { s.app.Operations.Run(ctx) }

// DB is the service's database, on which the suite runs the relay and the consumers.
func (s *Service) DB() *storage.DB { return s.db }

// Sweep works every due item out for a new day; the suite calls it now and then.
func (s *Service) Sweep(ctx context.Context) error { return s.app.Sweep(ctx) }

// Close closes the database.
func (s *Service) Close() error { return s.db.Close() }
