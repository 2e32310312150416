package lifecycle_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"coldsection.example/services/platform/lifecycle"
)

var errBroken = errors.New("broken")

// diary writes down what modules do.
type diary struct {
	life  *lifecycle.Life
	lines []string
}

func (d *diary) module(name string, needs ...string) lifecycle.Module {
	return lifecycle.Module{Name: name, Needs: needs, Start: func(context.Context) error {
		d.lines = append(d.lines, "start "+name)
		d.life.OnStop(name, func(context.Context) error {
			d.lines = append(d.lines, "stop "+name)
			return nil
		})
		return nil
	}}
}

func begin(t *testing.T) *diary {
	t.Helper()
	return &diary{life: lifecycle.New(t.Context(), slog.New(slog.DiscardHandler))}
}

func (d *diary) expect(t *testing.T, want ...string) {
	t.Helper()
	if !slices.Equal(d.lines, want) {
		t.Errorf("want %q, got %q", want, d.lines)
	}
}

func TestModulesStopInReverse(t *testing.T) {
	d := begin(t)
	if err := d.life.Start(t.Context(), d.module("a"), d.module("b", "a")); err != nil {
		t.Fatal(err)
	}
	d.life.Stop()
	d.life.Stop()
	d.expect(t, "start a", "start b", "stop b", "stop a")
}

func TestAFailureStopsWhatStarted(t *testing.T) {
	d := begin(t)
	broken := lifecycle.Module{Name: "b", Start: func(context.Context) error { return errBroken }}
	err := d.life.Start(t.Context(), d.module("a"), broken, d.module("c"))
	if !errors.Is(err, errBroken) || !strings.HasPrefix(err.Error(), "b: ") {
		t.Errorf("got %v", err)
	}
	d.expect(t, "start a", "stop a")
}

func TestANeedMustHaveStarted(t *testing.T) {
	d := begin(t)
	if err := d.life.Start(t.Context(), d.module("a", "b"), d.module("b")); err == nil || !strings.Contains(err.Error(), "a: needs b") {
		t.Errorf("got %v", err)
	}
	d.expect(t)
}

func TestNothingStartsAfterAnInterruption(t *testing.T) {
	d := begin(t)
	ctx, cancel := context.WithCancel(t.Context())
	stop := lifecycle.Module{Name: "b", Start: func(context.Context) error { cancel(); return nil }}
	if err := d.life.Start(ctx, d.module("a"), stop, d.module("c")); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	d.expect(t, "start a", "stop a")
}

func TestTheFirstFailureEndsTheLife(t *testing.T) {
	d := begin(t)
	others := make(chan struct{})
	d.life.Go("other", func(ctx context.Context) error {
		<-ctx.Done()
		close(others)
		return ctx.Err()
	})
	d.life.Go("worker", func(context.Context) error { return errBroken })
	if err := d.life.Wait(t.Context()); !errors.Is(err, errBroken) || !strings.HasPrefix(err.Error(), "worker: ") {
		t.Errorf("got %v", err)
	}
	<-others
}

func TestWaitEndsWithItsContext(t *testing.T) {
	d := begin(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.life.Wait(ctx); err != nil {
		t.Errorf("got %v", err)
	}
	d.life.Stop()
}

func TestAModuleThatDoesNotStopHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		d := &diary{life: lifecycle.New(t.Context(), slog.New(slog.NewTextHandler(&log, nil)))}
		if err := d.life.Start(t.Context(), d.module("a")); err != nil {
			t.Fatal(err)
		}
		release := make(chan struct{})
		d.life.OnStop("stuck", func(context.Context) error { <-release; return nil })
		d.life.OnStop("wrong", func(context.Context) error { return errBroken })
		d.life.Stop()
		close(release)
		d.expect(t, "start a", "stop a")
		for _, part := range []string{"module=stuck", "not done after", "module=wrong", "broken"} {
			if !strings.Contains(log.String(), part) {
				t.Errorf("the log does not say %q: %s", part, &log)
			}
		}
	})
}
