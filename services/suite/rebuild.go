package suite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"

	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
)

// rebuildCommand fills anew what parts keep of the facts of others.
type rebuildCommand struct {
	settings
	telling

	Parts  []string `arg:"" optional:"" help:"The parts whose models are filled; the processes that run them must be stopped when their data are SQLite files. None means all."`
	Accept bool     `help:"Keep what the facts say where it is not what was there. Without it, differences are reported and nothing is changed."`
}

// run empties the models of parts and fills them again from the facts. Nobody is served meanwhile, nothing is sent, and no fact is told.
func (c *rebuildCommand) run(ctx context.Context, stdout, stderr io.Writer) error {
	serve := serveCommand{settings: c.settings, Parts: c.Parts}
	cfg := serve.config()
	cfg.Listen = nil
	s, err := begin(ctx, cfg, slog.New(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), "work")
	if err != nil {
		return err
	}
	defer s.Stop()
	if err := s.drain(ctx); err != nil {
		return err
	}
	differ, sentences, rows := 0, []string{}, [][]string{}
	for _, part := range s.local() {
		all, err := c.fill(ctx, s, part)
		for _, r := range all {
			sentence, row := c.outcome(part, r)
			sentences, rows = append(sentences, sentence), append(rows, row)
			if !r.Same() {
				differ++
			}
		}
		if err != nil {
			return errors.Join(fmt.Errorf("%s: %w", part, err), c.tell(stdout, sentences, rebuiltColumns, rows...))
		}
	}
	if err := c.tell(stdout, sentences, rebuiltColumns, rows...); err != nil {
		return err
	}
	if differ > 0 && !c.Accept {
		return found{fmt.Errorf("%d of the tables say something else than the facts; nothing of their parts was changed. Find out why, then keep what the facts say with --accept", differ)}
	}
	return nil
}

// fill fills the models of a part, and says what came of each of their tables.
func (c *rebuildCommand) fill(ctx context.Context, s *Suite, part string) (all []eventbus.Rebuilt, err error) {
	for _, consumer := range s.services[part].Consumers() {
		if len(consumer.Model.Rows) == 0 {
			continue
		}
		rebuilt, err := s.buses[part].Rebuild(ctx, s.services[part].DB(), consumer, c.Accept)
		if err != nil {
			return all, err
		}
		all = append(all, rebuilt...)
	}
	return all, nil
}

// rebuiltColumns are what is said of a table that was filled again.
var rebuiltColumns = []string{"part", "table", "rows_before", "rows_from_facts", "state"}

// outcome is what came of one table: for people, and for programs.
func (c *rebuildCommand) outcome(part string, r eventbus.Rebuilt) (sentence string, row []string) {
	state, words := "AS_IT_WAS", "as it was"
	switch {
	case !r.Same() && c.Accept:
		state, words = "CHANGED", "changed to what the facts say"
	case !r.Same():
		state, words = "DIFFERS", "the facts say something else"
	}
	return fmt.Sprintf("%s %s: %d rows before, %d from the facts, %s.", part, r.Table, r.Before.Count, r.After.Count, words),
		[]string{part, r.Table, fmt.Sprint(r.Before.Count), fmt.Sprint(r.After.Count), state}
}

// drain hands the facts that wait in this process's outboxes to the stream, so that a stream that is new has all of them.
func (s *Suite) drain(ctx context.Context) error {
	for _, part := range s.local() {
		relay := outbox.NewRelay(s.services[part].DB(), s.buses[part], s.clock, relayEvery, s.log)
		for {
			n, err := relay.Once(ctx)
			if err != nil {
				return fmt.Errorf("the facts of %s: %w", part, err)
			}
			if n == 0 {
				break
			}
		}
	}
	return nil
}
