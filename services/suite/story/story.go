// Package story lives through the main job of the suite over its public API: an invented operator whose engine loses
// performance, is washed, inspected and released, and is shown to have recovered.
//
// The demonstration tells it to a person and the scenario tests run it in every mode. Nothing in it reaches around the
// gateway: every number that it tells was read back from the API. All people, aircraft, engines and engine data are
// invented and for demonstration only.
//
// Every call that changes something carries a fixed idempotency key and is repeated while the suite can't be reached, so
// the story can be interrupted at any point by the death of a process and goes on without doing anything twice.
package story

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
)

// Teller hears the story.
type Teller interface {
	// Chapter starts a part of the story.
	Chapter(title string)
	// Line tells one fact in plain words.
	Line(format string, args ...any)
}

// Options say where the story plays.
type Options struct {
	// Conn reaches the gateway's gRPC port; the story adds each person's credentials.
	Conn grpc.ClientConnInterface
	// FirstAdminToken is the one-time token for the first administrator.
	FirstAdminToken string
	// SetClock makes the suite live at t.
	SetClock func(t time.Time) error
	// Patience is how long a call is repeated while the suite can't be reached; 0 means not at all.
	Patience time.Duration
	// After, when set, is called after every call that succeeded, with their number; tests interrupt the suite there.
	After func(calls int)
}

// Outcome is what the story found, for tests.
type Outcome struct {
	Engine, WorkOrder, Blend, CleanerLot, WaterLot string
	Recovery                                       string
	DueBefore, DueAfter                            string
	FeedEvents                                     int
	Facts                                          map[string]int // how many of each type
	Calls                                          int
}

// Story is one run.
type Story struct {
	opts  Options
	tell  Teller
	cast  map[string]*actor
	world world
	out   Outcome
	feed  string // cursor of the change feed
}

// New prepares a run.
func New(opts Options, tell Teller) *Story {
	return &Story{opts: opts, tell: tell, cast: map[string]*actor{}}
}

// Run lives the story from the empty suite to the proven recovery. The first error ends it.
func (s *Story) Run(ctx context.Context) (Outcome, error) {
	chapters := []struct {
		title string
		play  func(context.Context) error
	}{
		{"The people sign in", s.people},
		{"The operator, the aircraft and its engine", s.fleet},
		{"Stores: cleaner with a certificate, water with a test", s.stores},
		{"Eighteen months of readings", s.readings},
		{"The planner schedules the wash", s.schedule},
		{"The clerk issues, the technician mixes", s.kit},
		{"The technician does the work", s.work},
		{"Signed, inspected by another person, released", s.release},
		{"Compliance moves on", s.compliance},
		{"Did the wash work?", s.recovery},
		{"The ERP reads it all", s.erp},
	}
	for _, c := range chapters {
		s.tell.Chapter(c.title)
		if err := c.play(ctx); err != nil {
			return s.out, fmt.Errorf("%s: %w", c.title, err)
		}
	}
	return s.out, nil
}

// at moves the suite's clock.
func (s *Story) at(t time.Time) error {
	if t.Before(s.world.now) {
		return fmt.Errorf("the story can't go back from %v to %v", s.world.now, t)
	}
	s.world.now = t
	return s.opts.SetClock(t)
}
