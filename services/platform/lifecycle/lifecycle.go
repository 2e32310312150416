// Package lifecycle brings the modules of a process up in order and down in reverse, and ends the process with the first
// module that fails.
package lifecycle

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
)

// StopLimit is how long one module may take to stop.
const StopLimit = 10 * time.Second

// Module is a part of a process: its name, the modules that must have started before it, and how it starts. What it needs
// to do in the end it gives to Life.OnStop while it starts.
type Module struct {
	Name  string
	Needs []string
	Start func(ctx context.Context) error
}

// Life is the life of a process. It is for one goroutine, except for Go and Wait.
type Life struct {
	log     *slog.Logger
	work    *errgroup.Group
	ctx     context.Context //nolint:containedctx // the life of everything that runs in the background
	cancel  context.CancelFunc
	started []string
	stops   []stop
}

type stop struct {
	name string
	fn   func(ctx context.Context) error
}

// New begins a life that the end of ctx does not cut short; only Stop does.
func New(ctx context.Context, log *slog.Logger) *Life {
	l := &Life{log: log}
	life, cancel := context.WithCancel(context.WithoutCancel(ctx))
	l.cancel = cancel
	l.work, l.ctx = errgroup.WithContext(life)
	return l
}

// Start starts modules in this order. The first failure stops those that started and is returned with the module's name.
func (l *Life) Start(ctx context.Context, modules ...Module) error {
	for _, m := range modules {
		if err := l.start(ctx, m); err != nil {
			l.Stop()
			return fmt.Errorf("%s: %w", m.Name, err)
		}
	}
	return nil
}

func (l *Life) start(ctx context.Context, m Module) error {
	for _, need := range m.Needs {
		if !slices.Contains(l.started, need) {
			return fmt.Errorf("needs %s, which has not started", need)
		}
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("not started: %w", err)
	}
	if err := m.Start(ctx); err != nil {
		return err
	}
	l.started = append(l.started, m.Name)
	return nil
}

// OnStop has fn called by Stop, before everything that was registered earlier. Its context ends after StopLimit.
func (l *Life) OnStop(name string, fn func(ctx context.Context) error) {
	l.stops = append(l.stops, stop{name, fn})
}

// Go runs work in the background until the context that it gets ends. An error other than the end of that context ends the
// life of all.
func (l *Life) Go(name string, fn func(ctx context.Context) error) {
	l.work.Go(func() error {
		if err := fn(l.ctx); err != nil && !errors.Is(err, context.Canceled) {
			return fmt.Errorf("%s: %w", name, err)
		}
		return nil
	})
}

// Wait returns when ctx ends, with nil, or when work in the background fails, with its error.
func (l *Life) Wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case <-l.ctx.Done():
		return l.work.Wait()
	}
}

// Stop ends everything in the reverse order of its start; a second call does nothing. A module that can't stop is named in
// the log and holds nobody else up.
func (l *Life) Stop() {
	for _, s := range slices.Backward(l.stops) {
		if err := l.stop(s); err != nil {
			l.log.Error("stopping", "module", s.name, "error", err)
		}
	}
	l.stops = nil
	l.cancel()
	_ = l.work.Wait()
}

func (l *Life) stop(s stop) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(l.ctx), StopLimit)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- s.fn(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("not done after %v", StopLimit)
	}
}
