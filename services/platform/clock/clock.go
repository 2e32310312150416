// Package clock is the only place that reads the time of day; everything else is handed a Clock.
package clock

import (
	"sync"
	"time"
)

// Clock tells the time and makes timers. Times are UTC with microsecond precision, the precision of the stores.
type Clock interface {
	// Now is the current instant.
	Now() time.Time
	// After delivers one value once d has passed.
	After(d time.Duration) <-chan time.Time
}

// FirstYear and LastYear bound the days and times that people and programs may state, in UTC. No engine is older; due dates are projected 200
// years ahead. Beyond lie the years 1 and 9999, which other systems write where they know no time.
const (
	FirstYear = 1900
	LastYear  = 2299
)

// Sane says whether the year of a day or time is one that somebody may mean.
func Sane(year int) bool { return year >= FirstYear && year <= LastYear }

// System returns the clock of the machine.
func System() Clock { return system{} }

type system struct{}

func (system) Now() time.Time                         { return time.Now().UTC().Truncate(time.Microsecond) }
func (system) After(d time.Duration) <-chan time.Time { return time.After(d) }

// Fake is a clock that moves only when told to; for tests and for telling a story at a chosen date.
type Fake struct {
	mu      sync.Mutex
	now     time.Time
	waiters []waiter
}

type waiter struct {
	at time.Time
	ch chan time.Time
}

// NewFake returns a clock that stands at now.
func NewFake(now time.Time) *Fake { return &Fake{now: now.UTC().Truncate(time.Microsecond)} }

// Now is the instant that the clock stands at.
func (f *Fake) Now() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// After delivers once the clock was moved to or past now+d; at once when d is not positive.
func (f *Fake) After(d time.Duration) <-chan time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	ch := make(chan time.Time, 1)
	if d <= 0 {
		ch <- f.now
		return ch
	}
	f.waiters = append(f.waiters, waiter{at: f.now.Add(d), ch: ch})
	return ch
}

// Set moves the clock to t, backwards too, and wakes whoever waited for it.
func (f *Fake) Set(t time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = t.UTC().Truncate(time.Microsecond)
	var left []waiter
	for _, w := range f.waiters {
		if w.at.After(f.now) {
			left = append(left, w)
			continue
		}
		w.ch <- f.now
	}
	f.waiters = left
}

// Advance moves the clock by d.
func (f *Fake) Advance(d time.Duration) { f.Set(f.Now().Add(d)) }
