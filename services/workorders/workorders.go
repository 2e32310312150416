package workorders

import (
	"context"
	"errors"

	"google.golang.org/grpc"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app"
	"coldsection.example/services/workorders/internal/events"
	"coldsection.example/services/workorders/internal/server"
	"coldsection.example/services/workorders/internal/store"
)

// Config is the service's configuration.
type Config struct {
	Storage storage.Config
}

// Deps is what the service needs from outside.
type Deps struct {
	Clock                                clock.Clock
	IDs                                  ids.Source
	Lister                               *listing.Lister
	Keys                                 *auth.Keys
	Compliance, Performance, Consumables grpc.ClientConnInterface
}

// Service is the running work-order service.
type Service struct {
	app *app.App
	db  *storage.DB
}

// New opens the database, brings its schema up to date and adds the sample cards that are missing.
func New(ctx context.Context, cfg Config, deps Deps) (*Service, error) {
	db, err := storage.Open(ctx, cfg.Storage, store.Migrations())
	if err != nil {
		return nil, err
	}
	a := &app.App{
		DB: db, Clock: deps.Clock, IDs: deps.IDs, Lister: deps.Lister, Keys: deps.Keys, Compliance: deps.Compliance, Performance: deps.Performance,
		Consumables: deps.Consumables,
	}
	if err := a.Seed(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &Service{db: db, app: a}, nil
}

// Register adds the service's RPCs.
func (s *Service) Register(r rpc.Registrar) { server.Register(r, s.app) }

// Consumers are the service's subscriptions.
func (s *Service) Consumers() []eventbus.Consumer { return []eventbus.Consumer{events.Consumer(s.app)} }

// DB is the service's database, on which the suite runs the relay and the consumers.
func (s *Service) DB() *storage.DB { return s.db }

// Close closes the database.
func (s *Service) Close() error { return s.db.Close() }
