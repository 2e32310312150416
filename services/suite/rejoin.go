package suite

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strconv"
	"time"

	"coldsection.example/gateway"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// rejoinCommand brings parts whose databases were put back by themselves back among the others.
type rejoinCommand struct {
	settings
	telling
}

// place is the module before which nothing is served: it sees whether each part is where the stream left it.
const place = "place"

// rejoining is what is found in the facts of one part.
type rejoining struct {
	teller eventbus.Teller
	lost   []eventbus.Message
	again  int64 // facts that the stream has not, and that leave at the start
	missed int   // facts of others that take effect at the start
}

// run needs the databases of all parts and the event stream; nobody is served meanwhile.
func (c *rejoinCommand) run(ctx context.Context, stdout, stderr io.Writer) error {
	serve := serveCommand{settings: c.settings}
	cfg := serve.config()
	cfg.Listen, cfg.Addresses = nil, nil
	s, err := begin(ctx, cfg, slog.New(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), place)
	if err != nil {
		return err
	}
	defer s.Stop()
	all, err := s.rejoin(ctx)
	if err != nil {
		return err
	}
	return c.say(stdout, all)
}

// rejoin finds what each part does not know any more, has the others believe what it knows now, and lets it hear what it missed. It may be
// stopped anywhere and done again.
func (s *Suite) rejoin(ctx context.Context) ([]*rejoining, error) {
	doors, err := s.openDoors(ctx)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", Gateway, err)
	}
	defer func() { _ = doors.Close() }()
	all := []*rejoining{{teller: eventbus.Teller{Part: Gateway, Types: facts.Types(facts.Access), DB: doors}}}
	for _, part := range s.local() {
		all = append(all, &rejoining{teller: s.teller(part)})
	}
	for _, one := range all {
		if err := s.believe(ctx, one); err != nil {
			return nil, fmt.Errorf("the facts of %s: %w", one.teller.Part, err)
		}
	}
	for _, one := range all {
		if err := s.hear(ctx, one); err != nil {
			return nil, fmt.Errorf("what %s missed: %w", one.teller.Part, err)
		}
	}
	return all, nil
}

// openDoors opens the database of the gateway, which is not served.
func (s *Suite) openDoors(ctx context.Context) (*storage.DB, error) {
	if err := s.ensureDatabase(ctx, Gateway); err != nil {
		return nil, err
	}
	cfg, err := s.cfg.storage(Gateway)
	if err != nil {
		return nil, err
	}
	return gateway.OpenStore(ctx, cfg)
}

// believe finds what a part does not know any more, and has the others believe what it knows.
func (s *Suite) believe(ctx context.Context, one *rejoining) (err error) {
	if one.lost, one.again, err = s.buses[one.teller.Part].Unknown(ctx, one.teller); err != nil {
		return err
	}
	for _, part := range s.local() {
		for _, consumer := range s.services[part].Consumers() {
			if err := one.teller.Believe(ctx, s.services[part].DB(), s.clock, consumer, one.lost); err != nil {
				return fmt.Errorf("as %s has them: %w", part, err)
			}
		}
	}
	return nil
}

// hear lets a part hear what it missed, and start. The gateway has no consumer: it goes on in the stream after the fact that it followed last.
func (s *Suite) hear(ctx context.Context, one *rejoining) error {
	if service := s.services[one.teller.Part]; service != nil {
		for _, consumer := range service.Consumers() {
			missed, err := s.buses[one.teller.Part].Missed(ctx, one.teller.DB, s.clock, consumer)
			if err != nil {
				return err
			}
			one.missed += missed
		}
	}
	return one.teller.Rejoined(ctx, s.clock, one.lost)
}

// teller is a part as it tells facts.
func (s *Suite) teller(part string) eventbus.Teller {
	return eventbus.Teller{Part: part, Types: facts.Types(part), DB: s.services[part].DB()}
}

// say says what came of it: to people in sentences, to programs every fact that its part does not know any more with its content.
func (c *rejoinCommand) say(stdout io.Writer, all []*rejoining) error {
	var sentences []string
	var rows [][]string
	for _, one := range all {
		part := one.teller.Part
		sentences = append(sentences, fmt.Sprintf("%s: %d facts that it told and does not know any more, %d of others that it missed, %d that the stream has not and that leave at the start.",
			part, len(one.lost), one.missed, one.again))
		for _, m := range one.lost {
			at := m.Time.UTC().Format(time.RFC3339)
			sentences = append(sentences, fmt.Sprintf("  %s  %s  %s  by %s", at, m.Type, m.Subject, m.Actor))
			rows = append(rows, []string{part, "LOST", at, m.Type, m.Subject, strconv.FormatInt(m.Version, 10), m.Actor, m.ID, string(m.Data)})
		}
		rows = append(rows, []string{part, "MISSED", "", "", "", "", "", "", strconv.Itoa(one.missed)}, []string{part, "AGAIN", "", "", "", "", "", "", strconv.FormatInt(one.again, 10)})
	}
	sentences = append(sentences, "Start the suite. What the others made of facts that their part does not know any more stays with them: go through the list, with --output json for"+
		" what each says, and enter in its part what is missing there.")
	return c.tell(stdout, sentences, []string{"part", "state", "time", "type", "subject", "version", "actor", "event", "content"}, rows...)
}

// inPlace refuses to serve a part whose database is older than the event stream: what it told would contradict what it told before.
func (s *Suite) inPlace(ctx context.Context) error {
	for _, part := range s.local() {
		why, err := s.buses[part].Behind(ctx, s.teller(part))
		if fault.HasReason(err, "EVENT_STREAM_UNAVAILABLE") {
			s.log.WarnContext(ctx, "nobody knows whether the part is where the event stream left it", "part", part, "error", err)
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", part, err)
		}
		if why != "" {
			return fmt.Errorf("%s does not start: %s. Nothing was changed. If its database was put back by itself or lost its last changes, stop all processes and run coldsection rejoin "+
				"with the same settings; if all were put back together, begin with a new event stream, which coldsection restore makes; if it is the stream of another suite, name the "+
				"event servers of this one", part, why)
		}
	}
	return nil
}
