package suite

import (
	"context"
	"net/http"
	"os"
	"slices"

	"coldsection.example/gateway"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/telemetry"
)

// openTelemetry measures when somebody reads it.
func (s *Suite) openTelemetry(ctx context.Context) error {
	if s.cfg.Admin == "" && s.cfg.OTLP == "" {
		return nil
	}
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	if s.telemetry, err = telemetry.Open(ctx, telemetry.Config{OTLP: s.cfg.OTLP, Version: version(), Instance: host + "/" + s.ids.New()}); err != nil {
		return err
	}
	s.life.OnStop("telemetry", s.telemetry.Close)
	return nil
}

// openAdmin serves metrics and health on an address that is not for the public.
func (s *Suite) openAdmin(ctx context.Context) error {
	if s.telemetry == nil {
		return nil
	}
	for part, service := range s.services {
		if err := s.gauges(part, service.DB(), append(leaving,
			gauge{"coldsection.events.parked", fact, "Facts of others that could not take effect.", eventbus.CountParked},
			gauge{"coldsection.events.parked.oldest.timestamp", "s", "When the oldest of them was parked, in Unix time; 0 when none is.", eventbus.OldestParked},
		)); err != nil {
			return err
		}
		if m, ok := service.(measured); ok {
			if err := s.measures(part, m.Measures()); err != nil {
				return err
			}
		}
	}
	if s.gateway != nil {
		if err := s.gauges(Gateway, s.gateway.DB(), append(leaving,
			gauge{"coldsection.webhook.messages.waiting", fact, "Messages to other systems that are still to be sent.", gateway.CountWaitingMessages},
			gauge{"coldsection.break_glass.unreviewed", "{use}", "Uses of the break-glass account that nobody has reviewed.", gateway.CountUnreviewedBreakGlass},
		)); err != nil {
			return err
		}
	}
	if err := s.backups(); err != nil {
		return err
	}
	if s.cfg.Admin == "" {
		return nil
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.telemetry.Metrics())
	listener, err := listen(ctx, s.cfg.Admin)
	if err != nil {
		return err
	}
	s.admin = listener.Addr().String()
	s.serveHTTP("admin", listener, s.withHealth(mux), s.adminTLS())
	return nil
}

// adminTLS is the certificate with which metrics and health are served to other machines: the gateway's, or the process's own. On loopback
// there is none.
func (s *Suite) adminTLS() *peers.Identity {
	switch {
	case s.cfg.ListenInsecure || onLoopback(s.cfg.Admin):
		return nil
	case s.public != nil:
		return s.public
	default:
		return s.peer
	}
}

// gauge is a number that is counted in a part's database.
type gauge struct {
	name, unit, description string
	count                   func(context.Context, *storage.Tx) (int64, error)
}

// fact is the unit of what is counted here.
const fact = "{fact}"

// leaving shows the facts of a part that are on their way out. It has no room to grow into, so that each part appends its own.
var leaving = slices.Clip([]gauge{
	{"coldsection.outbox.waiting", fact, "Facts that the event stream does not have yet.", outbox.Waiting},
	{"coldsection.outbox.oldest.timestamp", "s", "When the oldest fact happened that the event stream does not have yet, in Unix time; 0 when it has all.", outbox.Oldest},
})

// gauges show what waits in a part.
func (s *Suite) gauges(part string, db *storage.DB, all []gauge) error {
	for _, g := range all {
		if err := s.gauge(part, db, g); err != nil {
			return err
		}
	}
	return nil
}

// measures show what a part tells of itself.
func (s *Suite) measures(part string, all []telemetry.Measure) error {
	for _, m := range all {
		end, err := telemetry.Gauges(part, m)
		if err != nil {
			return err
		}
		s.life.OnStop(m.Name, func(context.Context) error { end(); return nil })
	}
	return nil
}

// gauge shows one number of a part.
func (s *Suite) gauge(part string, db *storage.DB, g gauge) error {
	end, err := telemetry.Gauge(g.name, g.unit, g.description, part, func(ctx context.Context) (n int64, err error) {
		err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
			n, err = g.count(ctx, tx)
			return err
		})
		return n, err
	})
	if err != nil {
		return err
	}
	s.life.OnStop(g.name, func(context.Context) error { end(); return nil })
	return nil
}

// AdminAddress is where metrics and health are served; empty when no admin address is configured.
func (s *Suite) AdminAddress() string { return s.admin }

// backups show when the last backup of the state folder was made.
func (s *Suite) backups() error {
	end, err := telemetry.Gauge("coldsection.backup.last.timestamp", "s", "When the last backup was made, in seconds since 1970; 0 when none was.", "suite",
		func(context.Context) (int64, error) { return backedUp(s.cfg.StateDir) })
	if err != nil {
		return err
	}
	s.life.OnStop("coldsection.backup.last.timestamp", func(context.Context) error { end(); return nil })
	return nil
}
