// Package limits bounds how many calls one caller makes, so that nobody takes the door from the others.
//
// A caller has a bucket of permits that fills at a steady rate: an account one of its own, and all who are nobody known yet one for
// each address. Addresses are those of connections; a proxy is believed only where it is configured, and only about the hop before it.
package limits

import (
	"context"
	"math"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

const (
	// burst is for how many seconds' calls a bucket holds permits.
	burst = 5
	// mostCallers is how many buckets are kept; those that are full can be made anew at any time.
	mostCallers = 10_000
)

// Limiter counts calls. A nil one has no limits.
type Limiter struct {
	clock   clock.Clock
	rate    rate.Limit
	mu      sync.Mutex
	buckets map[string]*rate.Limiter
	swept   time.Time // when full buckets were forgotten last
}

// New lets each caller make so many calls in a second, and five times as many at once; 0 is no limit. A page and a stream are one call.
func New(clk clock.Clock, callsPerSecond int) *Limiter {
	if callsPerSecond <= 0 {
		return nil
	}
	return &Limiter{clock: clk, rate: rate.Limit(callsPerSecond), buckets: map[string]*rate.Limiter{}}
}

// Take takes one call of a caller. Reason: TOO_MANY_CALLS, with the seconds after which there is a permit again.
func (l *Limiter) Take(_ context.Context, caller string) error {
	if l == nil {
		return nil
	}
	now := l.clock.Now()
	permit := l.bucket(caller, now).ReserveN(now, 1)
	wait := permit.DelayFrom(now)
	if wait == 0 {
		return nil
	}
	permit.CancelAt(now)
	seconds := int64(math.Ceil(wait.Seconds()))
	return fault.New(fault.ResourceExhausted, "TOO_MANY_CALLS",
		"More calls came from %s than the %d in a second that one caller may make. Wait %d seconds, and send fewer at once; others are not held up.",
		caller, int(l.rate), seconds).With("retry_after_seconds", strconv.FormatInt(seconds, 10))
}

func (l *Limiter) bucket(caller string, now time.Time) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	if b := l.buckets[caller]; b != nil {
		return b
	}
	if len(l.buckets) >= mostCallers {
		l.forget(now)
	}
	if len(l.buckets) >= mostCallers {
		caller = "" // all who are too many share one, so that new addresses buy nothing
	}
	if l.buckets[caller] == nil {
		l.buckets[caller] = rate.NewLimiter(l.rate, int(l.rate)*burst)
	}
	return l.buckets[caller]
}

// forget drops the buckets that are full, once in a second at most: looking at all takes time.
func (l *Limiter) forget(now time.Time) {
	if now.Sub(l.swept) < time.Second {
		return
	}
	l.swept = now
	for caller, b := range l.buckets {
		if b.TokensAt(now) >= float64(b.Burst()) {
			delete(l.buckets, caller)
		}
	}
}
