package performance

import (
	"context"
	"errors"
	"log/slog"

	"google.golang.org/grpc"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/performance/internal/app"
	"coldsection.example/services/performance/internal/events"
	"coldsection.example/services/performance/internal/server"
	"coldsection.example/services/performance/internal/store"
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
	Compliance grpc.ClientConnInterface
	Log        *slog.Logger
}

// Service is the running performance service.
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
	engines := engines{compliancev1.NewComplianceQueryServiceClient(deps.Compliance)}
	a := &app.App{DB: db, Clock: deps.Clock, IDs: deps.IDs, Lister: deps.Lister, Engines: engines}
	a.OpenOperations(deps.Log)
	if err := a.SettleAll(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &Service{db: db, app: a}, nil
}

// engines asks compliance on the service's own account.
type engines struct {
	client compliancev1.ComplianceQueryServiceClient
}

func (e engines) GetEngine(ctx context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error) {
	return e.client.GetEngine(rpc.AsService(ctx, "performance"), req)
}

func (e engines) ListEngines(ctx context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	return e.client.ListEngines(rpc.AsService(ctx, "performance"), req)
}

func (e engines) ListFittings(ctx context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	return e.client.ListFittings(rpc.AsService(ctx, "performance"), req)
}

// Register adds the service's RPCs.
func (s *Service) Register(r rpc.Registrar) { server.Register(r, s.app) }

// Consumers are the service's subscriptions.
func (s *Service) Consumers() []eventbus.Consumer { return []eventbus.Consumer{events.Consumer(s.app)} }

// Work works the service's long-running operations until ctx ends.
func (s *Service) Work(ctx context.Context) { s.app.Operations.Run(ctx) }

// DB is the service's database, on which the suite runs the relay and the consumers.
func (s *Service) DB() *storage.DB { return s.db }

// Close closes the database.
func (s *Service) Close() error { return s.db.Close() }
