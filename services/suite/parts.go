package suite

import (
	"context"

	"google.golang.org/grpc"

	"coldsection.example/services/compliance"
	"coldsection.example/services/consumables"
	"coldsection.example/services/performance"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/telemetry"
	"coldsection.example/services/workorders"
)

// service is a part that owns data and speaks gRPC.
type service interface {
	Register(r rpc.Registrar)
	Consumers() []eventbus.Consumer
	DB() *storage.DB
	Close() error
}

// sweeper is a service that has something to do when time goes by.
type sweeper interface {
	Sweep(ctx context.Context) error
}

// worker is a service that has long-running operations; Work works them until ctx ends.
type worker interface {
	Work(ctx context.Context)
}

// measured is a service that shows numbers of its own in the metrics.
type measured interface {
	Measures() []telemetry.Measure
}

// packages are the contract's packages that each service owns.
var packages = map[string]string{
	Compliance:  "coldsection.compliance.v1",
	Consumables: "coldsection.consumables.v1",
	Performance: "coldsection.performance.v1",
	WorkOrders:  "coldsection.workorders.v1",
}

// rights are what each part may do at the event servers: tell its own facts, work its own consumer and, for the gateway, read the feed.
var rights = []eventbus.Rights{
	{Part: Compliance, Publishes: facts.Types("compliance")},
	{Part: Consumables, Publishes: facts.Types("consumables")},
	{Part: Performance, Publishes: facts.Types("performance")},
	{Part: WorkOrders, Publishes: facts.Types("workorders")},
	{Part: Gateway, Publishes: facts.Types(facts.Access), ReadsAll: true},
}

// EventRights are what event servers of the suite let each part do.
func EventRights() []eventbus.Rights { return rights }

// constructors make each service; to connects it to another part.
var constructors = map[string]func(ctx context.Context, s *Suite, store storage.Config, to connector) (service, error){
	Compliance: func(ctx context.Context, s *Suite, store storage.Config, to connector) (service, error) {
		toWorkOrders, err := to(WorkOrders)
		if err != nil {
			return nil, err
		}
		toConsumables, err := to(Consumables)
		if err != nil {
			return nil, err
		}
		return compliance.New(ctx, compliance.Config{Storage: store}, compliance.Deps{
			Clock: s.clock, IDs: s.ids, Lister: s.lister, Keys: s.keys, Log: s.log.With("part", Compliance), WorkOrders: toWorkOrders, Consumables: toConsumables,
		})
	},
	Consumables: func(ctx context.Context, s *Suite, store storage.Config, to connector) (service, error) {
		toCompliance, err := to(Compliance)
		if err != nil {
			return nil, err
		}
		return consumables.New(ctx, consumables.Config{Storage: store},
			consumables.Deps{Clock: s.clock, IDs: s.ids, Lister: s.lister, Keys: s.keys, Compliance: toCompliance})
	},
	Performance: func(ctx context.Context, s *Suite, store storage.Config, to connector) (service, error) {
		toCompliance, err := to(Compliance)
		if err != nil {
			return nil, err
		}
		return performance.New(ctx, performance.Config{Storage: store},
			performance.Deps{Clock: s.clock, IDs: s.ids, Lister: s.lister, Compliance: toCompliance, Log: s.log.With("part", Performance)})
	},
	WorkOrders: func(ctx context.Context, s *Suite, store storage.Config, to connector) (service, error) {
		others := map[string]grpc.ClientConnInterface{}
		for _, part := range []string{Compliance, Performance, Consumables} {
			conn, err := to(part)
			if err != nil {
				return nil, err
			}
			others[part] = conn
		}
		return workorders.New(ctx, workorders.Config{Storage: store}, workorders.Deps{
			Clock: s.clock, IDs: s.ids, Lister: s.lister, Keys: s.keys,
			Compliance: others[Compliance], Performance: others[Performance], Consumables: others[Consumables],
		})
	},
}

// connector makes a connection to a part.
type connector func(part string) (grpc.ClientConnInterface, error)
